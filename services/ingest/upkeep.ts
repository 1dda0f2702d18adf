import { isTransient, type Logger } from '@afterwatt/runtime';
import { keepUp } from '@afterwatt/store';
import { schedule } from 'node-cron';
import type pg from 'pg';

/** Once a night (UTC), away from midnight, when the new day's partition is already there. */
const NIGHTLY = '10 3 * * *';

/** @returns stops it */
export function scheduleUpkeep(
  pool: pg.Pool,
  keepDays: number,
  log: Logger,
  fail: (error: unknown) => void,
): () => Promise<void> {
  const task = schedule(
    NIGHTLY,
    async () => {
      try {
        const { partitionsDropped } = await keepUp(pool, Date.now(), keepDays);
        log.info({ partitionsDropped, keepDays }, 'kept up the partitions of readings');
      } catch (error) {
        if (isTransient(error)) log.warn({ err: error }, 'upkeep has to wait for the next night');
        else fail(error);
      }
    },
    { timezone: 'UTC' },
  );
  return async () => {
    await task.stop();
  };
}
