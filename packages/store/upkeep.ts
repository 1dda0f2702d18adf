// What a database of readings needs from time to time. Safe with many workers at once: the functions take a lock.

import type pg from 'pg';

const DAY_MS = 86_400_000;
/** Rules read pulses once; after a crash from the last checkpoint, minutes ago. */
const PULSES_KEPT = '7 days';

/** Days for which things are kept. */
export interface Retention {
  readonly readingDays: number;
  /** Roll-ups of 1 min, by the month. */
  readonly minuteDays: number;
  /** The other roll-ups, by the year. */
  readonly coarseDays: number;
}

export interface Upkeep {
  readonly partitionsDropped: number;
  /** Old readings had to stay because they are not rolled up yet. */
  readonly isWaiting: boolean;
}

/**
 * Makes the partitions of today and the next two days (UTC), drops what is older than it is kept, readings only once
 * they are rolled up, and forgets old pulses. A backlog older than that is stored when it comes, and dropped at the
 * next upkeep.
 */
export async function keepUp(pool: pg.Pool, nowMs: number, retention: Retention): Promise<Upkeep> {
  for (let ahead = 0; ahead <= 2; ahead++) {
    await pool.query('select ensure_reading_partitions($1)', [dayOf(nowMs + ahead * DAY_MS)]);
  }
  const { readingDays, minuteDays, coarseDays } = retention;
  const found = await pool.query<{ dropped: number; waiting: boolean }>(
    'select dropped, waiting from drop_old_partitions($1, $2, $3)',
    [readingDays, minuteDays, coarseDays].map((days) => dayOf(nowMs - days * DAY_MS)),
  );
  await pool.query(`delete from pulse where at < now() - interval '${PULSES_KEPT}'`);
  return {
    partitionsDropped: found.rows[0]?.dropped ?? 0,
    isWaiting: found.rows[0]?.waiting ?? false,
  };
}

function dayOf(ms: number): string {
  return new Date(ms).toISOString().slice(0, 10);
}
