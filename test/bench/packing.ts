// What packing a closed day gives and costs: bytes a reading with indexes, and the time to read them, packed against
// plain in the same run, of the same readings.

import { asCaller, listColumns, openSite, packClosedDays, QUANTITY_NAMES } from '@afterwatt/store';
import { startOwnPostgres } from '../support/own-postgres.ts';
import { fillDay } from './fill.ts';
import { PERIOD_MS, registerFleet } from './fleet.ts';
import { serverSeconds } from './setup.ts';
import { median, round } from './statistics.ts';

const DEVICES = 50;
const DAY_MS = 86_400_000;
const FROM = Date.UTC(2026, 0, 5);
const READS = 9;

export async function benchPacking(): Promise<Record<string, string | number>[]> {
  const postgres = await startOwnPostgres();
  const { pool, db } = postgres.owner;
  try {
    const fleet = await registerFleet(postgres.owner, DEVICES);
    await fillDay(pool, FROM / DAY_MS, DAY_MS / PERIOD_MS);
    await pool.query('vacuum analyze meter_reading');
    await pool.query('update rollup_state set tx = current_tx() - 1');
    await pool.query('update shard set tx = (select tx from rollup_state)');
    const rows = (DEVICES * DAY_MS) / PERIOD_MS;
    const bytes = async () => {
      const found = await pool.query<{ bytes: number }>(
        `select sum(pg_total_relation_size(inhrelid))::float8 as bytes from pg_inherits
         where inhparent in ('meter_reading'::regclass, 'meter_packed'::regclass)`,
      );
      return round((found.rows[0]?.bytes ?? 0) / rows, 1);
    };
    const read = async (hours: number, quantities: readonly string[]) => {
      const span = { from: new Date(FROM), to: new Date(FROM + hours * 3_600_000) };
      const times: number[] = [];
      for (let run = 0; run < READS; run++) {
        const device = fleet[(run * 7) % DEVICES];
        if (device === undefined) throw new Error('no fleet');
        const startedMs = performance.now();
        const { times: told } = await asCaller(
          db,
          { role: 'operator', company: null, sites: [] },
          async (tx) => {
            await openSite(tx, device.siteNo);
            return listColumns(tx, {
              ...{ siteNo: device.siteNo, device: { no: device.deviceNo, id: 'meter-1', kind: 'meter' } },
              ...{ quantities, bin: 'raw', timeZone: 'UTC', limit: 100_000 },
              ...span,
            });
          },
        );
        if (told.length !== (hours * 3_600_000) / PERIOD_MS) throw new Error(`read ${told.length} readings`);
        times.push(performance.now() - startedMs);
      }
      return round(median(times), 1);
    };
    const measure = async () => ({
      'bytes a reading': await bytes(),
      'a day of one meter, all quantities, ms': await read(24, QUANTITY_NAMES.meter),
      'a day of one meter, two quantities, ms': await read(24, ['l1.v', 'l1.p']),
      'an hour of one meter, all quantities, ms': await read(1, QUANTITY_NAMES.meter),
    });
    const plain = await measure();
    const before = serverSeconds(postgres.pid);
    const packed = await packClosedDays(pool, {
      ...{ nowMs: Date.now(), afterDays: 2, signal: new AbortController().signal, onDay: () => {} },
    });
    const cpuUs = ((serverSeconds(postgres.pid) - before) / rows) * 1e6;
    if (packed?.readings !== rows) throw new Error(`packed ${packed?.readings} readings`);
    const after = await measure();
    const names = Object.keys(plain) as (keyof typeof plain)[];
    return [
      ...names.map((what) => ({
        ...{ what, plain: plain[what], packed: after[what], ratio: round(after[what] / plain[what], 2) },
      })),
      { what: 'Postgres to pack a reading, µs of processor', packed: round(cpuUs, 1) },
    ];
  } finally {
    await postgres.stop();
  }
}
