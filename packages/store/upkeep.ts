// What a database of readings needs from time to time. Safe with many workers at once: the functions take a lock.

import type pg from 'pg';

const DAY_MS = 86_400_000;
/** Rules read pulses once; after a crash from the last checkpoint, minutes ago. */
const PULSES_KEPT = '7 days';

export interface Upkeep {
  readonly partitionsDropped: number;
}

/**
 * Makes the partitions of today and the next two days (UTC), drops those older than `keepDays`, and forgets old
 * pulses. A backlog older than that is stored when it comes and dropped at the next upkeep.
 */
export async function keepUp(pool: pg.Pool, nowMs: number, keepDays: number): Promise<Upkeep> {
  for (let ahead = 0; ahead <= 2; ahead++) {
    await pool.query('select ensure_reading_partitions($1)', [dayOf(nowMs + ahead * DAY_MS)]);
  }
  const dropped = await pool.query<{ n: number }>('select drop_reading_partitions($1) as n', [
    dayOf(nowMs - keepDays * DAY_MS),
  ]);
  await pool.query(`delete from pulse where at < now() - interval '${PULSES_KEPT}'`);
  return { partitionsDropped: dropped.rows[0]?.n ?? 0 };
}

function dayOf(ms: number): string {
  return new Date(ms).toISOString().slice(0, 10);
}
