import { isTransient, type Logger } from '@afterwatt/runtime';
import { keepUp, type Retention } from '@afterwatt/store';
import { schedule } from 'node-cron';
import type pg from 'pg';

/** Once a night (UTC), away from midnight, when the new day's partition is already there. */
const NIGHTLY = '10 3 * * *';

/** @returns stops it */
export function scheduleUpkeep(
  pool: pg.Pool,
  retention: Retention,
  log: Logger,
  fail: (error: unknown) => void,
): () => Promise<void> {
  const task = schedule(
    NIGHTLY,
    async () => {
      try {
        const { partitionsDropped, isWaiting } = await keepUp(pool, Date.now(), retention);
        log.info({ partitionsDropped, ...retention }, 'kept up the partitions');
        if (isWaiting) log.warn('old readings stay another night: they are not rolled up yet');
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
