// Readings of a whole fleet that the database makes itself, in the order in which time would write them: for what
// stands in the tables before something is measured.

import { ensureReadingPartitions } from '@afterwatt/store';
import type pg from 'pg';
import { PERIOD_MS } from './fleet.ts';

const DAY_MS = 86_400_000;
const ROWS_A_STATEMENT = 500_000;

/**
 * One reading of each registered meter every period, as noisy as a home's and rounded as a meter does: the 13 quantities
 * of the bench's meters.
 * @param periods how many of them
 */
export async function fillReadings(
  pool: pg.Pool,
  devices: number,
  fromMs: number,
  periods: number,
): Promise<void> {
  const untilMs = fromMs + periods * PERIOD_MS;
  for (let day = Math.floor(fromMs / DAY_MS); day * DAY_MS < untilMs; day++) {
    await ensureReadingPartitions(pool, day);
  }
  const periodsAtOnce = Math.max(1, Math.floor(ROWS_A_STATEMENT / devices));
  for (let first = 0; first < periods; first += periodsAtOnce) {
    await pool.query(FILL, [
      new Date(fromMs),
      first,
      Math.min(periods, first + periodsAtOnce) - 1,
      PERIOD_MS / 1000,
    ]);
  }
}

/** $1 the first time, $2 and $3 the first and last period counted from there, $4 seconds a period. */
const FILL = `
  insert into meter_reading (site_no, device_no, at, l1_v, l2_v, l1_a, l2_a, l1_w, l2_w, frequency_hz, inlet1_a, inlet1_w,
    import_wh, export_wh, rssi_dbm, seq)
  select site_no, no, at, round(v1::numeric, 1), round(v2::numeric, 1), round((w1 / v1)::numeric, 2),
    round((w2 / v2)::numeric, 2), round(w1::numeric, 1), round(w2::numeric, 1), round((59.98 + random() * 0.04)::numeric, 2),
    round(a::numeric, 2), round((a * v1)::numeric, 1), round((1e6 + seq * 1.3)::numeric, 1), 0, -60 - floor(random() * 4), seq
  from (
    select d.site_no, d.no, n as seq, $1::timestamptz + n * $4::float8 * interval '1 second' as at,
      120 + sin(n / 500.0) * 1.5 + (random() - 0.5) * 0.6 as v1,
      121 + cos(n / 700.0) * 1.5 + (random() - 0.5) * 0.6 as v2,
      600 + 400 * sin(n / 3000.0 + d.no) + 900 * ((n / 180 + d.no) % 3 / 2) + (random() - 0.5) * 20 as w1,
      350 + 100 * sin(n / 2000.0 + d.no) + (random() - 0.5) * 12 as w2,
      12 * ((n / 2000 + d.no) % 3 / 2) + (random() - 0.5) * 0.1 + 0.06 as a
    from generate_series($2::integer, $3::integer) n cross join device d
    order by n, d.no
  ) homes`;
