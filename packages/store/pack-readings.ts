// Packs closed days: each hour of a device becomes one row with an array a quantity, a fifth of the size of its plain
// rows, and faster to read. migrations/0006_packed_readings.sql has the tables, the locks and what is done to them.
//
// A day is packed beside its plain rows, in steps, and takes their place at the end, all at once: one that is killed
// leaves nothing half done. What comes later for a packed day opens its hour again (write-readings.ts), and is packed
// the next time. Nothing here holds a lock for longer than a step takes, or waits for one for longer than half a second.

import { backoffMs, pause } from '@afterwatt/runtime';
import type pg from 'pg';
import type { Kind } from './roll-up-sql.ts';

const DAY_MS = 86_400_000;
/** Readings of a step: a third of a second. The rules read only what is older than the oldest transaction that runs. */
const STEP_READINGS = 20_000;
/** So many that came meanwhile, or were not judged yet, may stay plain; with more the day waits. */
const MOST_LATE = 20_000;
/** Tries to get the locks of a step. */
const TRIES = 20;
const LOCK_NOT_AVAILABLE = '55P03';
/** The one lock that a packing worker holds while it is at it. */
const ONE_AT_A_TIME = `hashtext('packing readings')`;

export interface PackOptions {
  readonly nowMs: number;
  /** Days that ended so many days ago, or earlier (UTC). */
  readonly afterDays: number;
  readonly signal: AbortSignal;
  /** Called for each day that something was packed of. */
  readonly onDay: (day: PackedDay) => void;
}

export interface PackedDay {
  readonly kind: Kind;
  /** Date (UTC). */
  readonly day: string;
  readonly readings: number;
}

export interface Packed {
  readonly readings: number;
  /** Days that have to wait: readings of them are not rolled up or not judged yet. */
  readonly waiting: number;
}

/**
 * Packs what can be packed, the newest day first. Between steps it rests as long as they take.
 * @returns undefined when another worker is at it
 */
export async function packClosedDays(pool: pg.Pool, options: PackOptions): Promise<Packed | undefined> {
  const client = await pool.connect();
  let broken: Error | undefined;
  try {
    const lock = await client.query<{ got: boolean }>(`select pg_try_advisory_lock(${ONE_AT_A_TIME}) as got`);
    if (lock.rows[0]?.got !== true) return undefined;
    const packed = { readings: 0, waiting: 0 };
    for (const { kind, day } of await listClosedDays(client, options)) {
      if (options.signal.aborted) break;
      const readings = await packDay(client, kind, day, options.signal);
      if (readings === 'waiting') packed.waiting += 1;
      else if (readings > 0) {
        packed.readings += readings;
        options.onDay({ kind, day, readings });
      }
    }
    await client.query(`select pg_advisory_unlock(${ONE_AT_A_TIME})`);
    return packed;
  } catch (error) {
    broken = error instanceof Error ? error : new Error(String(error));
    throw error;
  } finally {
    client.release(broken);
  }
}

async function listClosedDays(
  client: pg.ClientBase,
  { nowMs, afterDays }: PackOptions,
): Promise<{ readonly kind: Kind; readonly day: string }[]> {
  const found = await client.query<{ kind: Kind; day: string }>(
    // Materialized: else dates may be looked for in other tables' names.
    `with partitions as materialized (
       select split_part(c.relname, '_', 1) as kind, to_date(right(c.relname, 8), 'YYYYMMDD') as day
       from pg_inherits i join pg_class c on c.oid = i.inhrelid
       where i.inhparent in ('meter_reading'::regclass, 'battery_reading'::regclass)
     ) select kind, day::text from partitions where day < $1 order by day desc, kind`,
    [new Date(nowMs - afterDays * DAY_MS).toISOString().slice(0, 10)],
  );
  return found.rows;
}

interface Place {
  readonly site: number | null;
  readonly device: number;
  readonly hour: Date;
}

/** @returns how many readings were packed */
async function packDay(
  client: pg.ClientBase,
  kind: Kind,
  day: string,
  signal: AbortSignal,
): Promise<number | 'waiting'> {
  const begun = await step<{ up_to_tx: number | null; waiting: boolean }>(client, signal, {
    text: 'select up_to_tx, waiting from begin_packing($1, $2, $3)',
    values: [kind, day, MOST_LATE],
  });
  if (begun?.waiting === true) return 'waiting';
  const upToTx = begun?.up_to_tx ?? null;
  if (upToTx === null) return 0;
  let readings = 0;
  let place: Place = { site: 0, device: 0, hour: new Date(day) };
  while (place.site !== null) {
    const startedMs = performance.now();
    const next = await step<Place & { readings: number }>(client, signal, {
      text: 'select site, device, hour, readings from pack_readings($1, $2, $3, $4, $5, $6, $7)',
      values: [kind, day, upToTx, STEP_READINGS, place.site, place.device, place.hour],
    });
    if (next === undefined) return 0;
    readings += next.readings;
    place = next;
    await pause(performance.now() - startedMs, signal);
  }
  await step(client, signal, {
    text: 'select finish_packing($1, $2, $3)',
    values: [kind, day, upToTx],
  });
  return readings;
}

/** Tries until it gets its locks. @returns undefined when it is to stop */
async function step<Row extends pg.QueryResultRow>(
  client: pg.ClientBase,
  signal: AbortSignal,
  query: pg.QueryConfig,
): Promise<Row | undefined> {
  for (let failures = 1; !signal.aborted; failures++) {
    try {
      return (await client.query<Row>(query)).rows[0];
    } catch (error) {
      const isLocked = error instanceof Error && 'code' in error && error.code === LOCK_NOT_AVAILABLE;
      if (!isLocked || failures === TRIES) throw error;
      await pause(backoffMs(failures), signal);
    }
  }
  return undefined;
}
