// Readings of a whole fleet that the database makes itself, in the order in which time would write them: for what
// stands in the tables before something is measured.

import { ensureReadingPartitions } from '@afterwatt/store';
import type pg from 'pg';
import { PERIOD_MS } from './fleet.ts';

const DAY_MS = 86_400_000;

/**
 * One reading of each registered meter every period of a day that has none yet, as noisy as a home's and rounded as a
 * meter does: the 13 quantities of the bench's meters. The day's table is indexed when it is full, and joins then: a
 * fifth of the time that row by row takes.
 * @param day days since 1970-01-01 (UTC)
 * @param periods how many of the day, from its start on
 */
export async function fillDay(pool: pg.Pool, day: number, periods: number): Promise<void> {
  const [date, next] = [day, day + 1].map((at) => new Date(at * DAY_MS).toISOString().slice(0, 10));
  const name = `meter_reading_${date?.replaceAll('-', '')}`;
  const client = await pool.connect();
  try {
    await client.query(`begin; set local maintenance_work_mem = '512MB'`);
    await client.query(
      `create table ${name} (like meter_reading including defaults, check (at >= '${date}Z' and at < '${next}Z'))`,
    );
    await client.query(`insert into ${name} ${FILL}`, [new Date(day * DAY_MS), periods, PERIOD_MS / 1000]);
    await client.query(`alter table ${name} add primary key (site_no, device_no, at)`);
    await client.query(`create index on ${name} (tx)`);
    await client.query(`grant insert on ${name} to afterwatt_ingest`);
    await client.query(
      `alter table meter_reading attach partition ${name} for values from ('${date}Z') to ('${next}Z')`,
    );
    await client.query('commit');
  } finally {
    client.release();
  }
  // The batteries' one.
  await ensureReadingPartitions(pool, day);
}

/** $1 the first time, $2 how many periods, $3 seconds a period. */
const FILL = `
  (site_no, device_no, at, l1_v, l2_v, l1_a, l2_a, l1_w, l2_w, frequency_hz, inlet1_a, inlet1_w, import_wh, export_wh,
    rssi_dbm, seq)
  select site_no, no, $1::timestamptz + seq * $3::float8 * interval '1 second',
    ${rounded('v1', 10)}, ${rounded('v2', 10)}, ${rounded('w1 / v1', 100)}, ${rounded('w2 / v2', 100)},
    ${rounded('w1', 10)}, ${rounded('w2', 10)}, ${rounded('59.98 + random() * 0.04', 100)},
    ${rounded('a', 100)}, ${rounded('a * v1', 10)}, ${rounded('1e6 + seq * 1.3', 10)}, 0, -60 - floor(random() * 4), seq
  from generate_series(0, $2::integer - 1) n cross join lateral (
    select site_no, no, n as seq, 120 + sin(n / 500.0::float8) * 1.5 + (random() - 0.5) * 0.6 as v1,
      121 + cos(n / 700.0::float8) * 1.5 + (random() - 0.5) * 0.6 as v2,
      600 + 400 * sin(n / 3000.0::float8 + no) + 900 * ((n / 180 + no) % 3 / 2) + (random() - 0.5) * 20 as w1,
      350 + 100 * sin(n / 2000.0::float8 + no) + (random() - 0.5) * 12 as w2,
      12 * ((n / 2000 + no) % 3 / 2) + (random() - 0.5) * 0.1 + 0.06 as a
    from device offset 0
  ) home`;

/** As a meter does that tells tenths, say; faster than by numeric. */
function rounded(value: string, parts: number): string {
  return `round((${value}) * ${parts}) / ${parts}`;
}
