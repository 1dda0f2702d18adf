// What roll-ups cost and give, as ratios within one run: how fast readings are rolled up against the plainest
// aggregation of the same rows into one table, bytes a row, and a year of one site at 1 h, among others' rows, against
// a plain select of the same rows.

import { asCaller, ensureReadingPartitions, listColumns, openSite, rollUp } from '@afterwatt/store';
import type pg from 'pg';
import { startOwnPostgres } from '../support/own-postgres.ts';
import { measureCeiling } from './ceiling.ts';
import { registerFleet } from './fleet.ts';
import { median, round } from './statistics.ts';

const DEVICES = 100;
const ROWS = Number(process.env['BENCH_ROWS'] ?? 200_000);
const HOURS = 8_760;
const FROM = Date.UTC(2025, 0, 1);

export async function benchRollUps(): Promise<Record<string, string | number>[]> {
  const postgres = await startOwnPostgres();
  const { pool, db } = postgres.owner;
  try {
    const fleet = await registerFleet(postgres.owner, DEVICES);
    await ensureReadingPartitions(pool, FROM / 86_400_000);
    await measureCeiling(postgres, fleet, 10, FROM, ROWS);
    await pool.query('vacuum analyze meter_reading');

    // The ceiling: one aggregate a column, no energy, one level, nothing noted, nothing that could come again.
    const plain = await timed(() =>
      pool.query(`create table plain as
        select site_no, device_no, date_bin('1 minute', at, 'epoch') as at, count(*) as readings,
          avg(l1_v) as l1_v, avg(l2_v) as l2_v, avg(l1_a) as l1_a, avg(l2_a) as l2_a, avg(l1_w) as l1_w, avg(l2_w) as l2_w, avg(frequency_hz) as frequency_hz, avg(inlet1_a) as inlet1_a, avg(inlet1_w) as inlet1_w
        from meter_reading group by 1, 2, 3`),
    );
    const ours = await timed(async () => {
      while ((await rollUp(pool, { readings: 20_000, stretches: 4_000 }, Date.now()))?.isDone !== true);
    });
    const sizes = await sizesOf(pool, ['meter_reading', 'meter_1m', 'meter_15m']);

    // A year of hours of a hundred sites, as time would write them: hour by hour, a row of each.
    const columns = await pool.query<{ list: string }>(
      `select string_agg(quote_ident(attname), ', ') as list from pg_attribute
       where attrelid = 'meter_1h'::regclass and attnum > 0 and attname not in ('site_no', 'device_no', 'at')`,
    );
    const list = columns.rows[0]?.list ?? '';
    await pool.query('truncate meter_1h');
    await pool.query(
      `select ensure_rollup_partitions('meter_1h', array['2024-06-01'::timestamptz, '2025-01-01'])`,
    );
    await pool.query(
      `insert into meter_1h (site_no, device_no, at, ${list})
       select site_no, no, '2024-01-01'::timestamptz + h * interval '1 hour', ${list}
       from generate_series(0, ${HOURS - 1}) h cross join device cross join (select ${list} from meter_15m limit 1) a_row order by h`,
    );
    await pool.query('vacuum analyze meter_1h');
    sizes.push(...(await sizesOf(pool, ['meter_1h'])));
    const [device] = fleet;
    if (device === undefined) throw new Error('no fleet');
    const select = `select at, l1_v, l1_w, l2_w, inlet1_w from meter_1h
      where site_no = ${device.siteNo} and device_no = ${device.deviceNo} and at >= '2024-01-01' and at < '2025-01-01' order by at`;
    const listed = () =>
      asCaller(db, { role: 'operator', company: null, sites: [] }, async (tx) => {
        await openSite(tx, device.siteNo);
        return listColumns(tx, {
          ...{ siteNo: device.siteNo, device: { no: device.deviceNo, id: 'meter-1', kind: 'meter' } },
          ...{
            quantities: ['l1.v', 'l1.p', 'l2.p', 'inlet1.p'],
            bin: '1h',
            timeZone: 'America/Denver',
            limit: 1e5,
          },
          ...{ from: new Date('2024-01-01T00:00:00Z'), to: new Date('2025-01-01T00:00:00Z') },
        });
      });
    const yearMs = await medianMs(listed);
    const selectMs = await medianMs(() => pool.query(select));
    const plan = await pool.query<{ 'QUERY PLAN': string }>(
      `explain (analyze, buffers, costs off) ${select}`,
    );
    console.log(plan.rows.map((row) => row['QUERY PLAN']).join('\n'));
    return [
      { what: 'rolled up, all levels', 'readings/s': round(ROWS / ours), ratio: (plain / ours).toFixed(3) },
      { what: 'plain aggregate into one table', 'readings/s': round(ROWS / plain), ratio: 1 },
      ...sizes.map(({ bin, rows, bytes }) => ({ what: bin, rows, 'bytes a row': round(bytes / rows) })),
      {
        what: 'a year at 1 h',
        rows: (await listed()).times.length,
        ms: yearMs.toFixed(1),
        ratio: (yearMs / selectMs).toFixed(2),
      },
      { what: 'plain select of the same', ms: selectMs.toFixed(1), ratio: 1 },
    ];
  } finally {
    await postgres.stop();
  }
}

interface Size {
  readonly bin: string;
  readonly rows: number;
  readonly bytes: number;
}

/** With indexes. */
async function sizesOf(pool: pg.Pool, tables: readonly string[]): Promise<Size[]> {
  const found = await pool.query<Size>(
    `select bin, (xpath('/row/n/text()', query_to_xml('select count(*) as n from ' || bin, false, true, '')))[1]::text::int as rows,
       (select sum(pg_total_relation_size(inhrelid)) from pg_inherits where inhparent = bin::regclass)::bigint as bytes
     from unnest($1::text[]) bin`,
    [tables],
  );
  return found.rows;
}

/** @returns seconds */
async function timed(work: () => Promise<unknown>): Promise<number> {
  const startedMs = performance.now();
  await work();
  return (performance.now() - startedMs) / 1000;
}

async function medianMs(work: () => Promise<unknown>): Promise<number> {
  const times: number[] = [];
  for (let run = 0; run < 9; run++) times.push(1000 * (await timed(work)));
  return median(times);
}
