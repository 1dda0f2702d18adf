import { isTransient, type Logger } from '@afterwatt/runtime';
import { keepUp, packClosedDays, type Retention } from '@afterwatt/store';
import { schedule } from 'node-cron';
import type pg from 'pg';

/** Once a night (UTC), away from midnight, when the new day's partition is already there. */
const NIGHTLY = '10 3 * * *';

export interface UpkeepDeps {
  readonly pool: pg.Pool;
  readonly retention: Retention;
  /** Days of readings that ended so long ago are packed. */
  readonly packAfterDays: number;
  readonly log: Logger;
  readonly fail: (error: unknown) => void;
}

/** @returns stops it; a step that has begun is finished first */
export function scheduleUpkeep({
  pool,
  retention,
  packAfterDays,
  log,
  fail,
}: UpkeepDeps): () => Promise<void> {
  const ending = new AbortController();
  let running = Promise.resolve();

  async function upkeep(): Promise<void> {
    try {
      const { partitionsDropped, isWaiting } = await keepUp(pool, Date.now(), retention);
      log.info({ partitionsDropped, ...retention }, 'kept up the partitions');
      if (isWaiting) log.warn('old readings stay another night: they are not rolled up yet');
      const packed = await packClosedDays(pool, {
        ...{ nowMs: Date.now(), afterDays: packAfterDays, signal: ending.signal },
        onDay: (day) => log.info(day, 'packed a day of readings'),
      });
      if (packed !== undefined && packed.waiting > 0)
        log.warn(packed, 'days stay unpacked another night: they are not rolled up and judged yet');
    } catch (error) {
      if (isTransient(error)) log.warn({ err: error }, 'upkeep has to wait for the next night');
      else fail(error);
    }
  }

  const task = schedule(
    NIGHTLY,
    () => {
      running = upkeep();
      return running;
    },
    // The first night's packing may take longer than a day.
    { timezone: 'UTC', noOverlap: true },
  );
  return async () => {
    ending.abort();
    await task.stop();
    await running;
  };
}
