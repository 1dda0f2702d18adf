// Keeps the roll-ups while readings come in. Any number of workers may: one at a time gets on.

import { backoffMs, isTransient, type Logger, pause } from '@afterwatt/runtime';
import { markRolledUp, type RollUpLimits, rollUp } from '@afterwatt/store';
import type pg from 'pg';
import type { IngestMetrics } from './metrics.ts';

/** How often it looks; answers don't wait for it, they are made from readings where it has not been yet. */
const LOOK_EVERY_MS = 2_000;
const SAY_EVERY_MS = 5_000;
/** While readings come faster than they are written, roll-ups wait, but no longer than this. */
const YIELDS_MS = 10 * 60_000;

/** Steps of less than a second: the rules read only what is older than the oldest transaction still running. */
const LIMITS: RollUpLimits = { readings: 20_000, stretches: 4_000 };

/** check_violation: there is no partition. One may have been dropped since it was looked at. */
const NO_PARTITION = '23514';

export interface RollUpsDeps {
  readonly pool: pg.Pool;
  readonly metrics: IngestMetrics;
  /** Readings wait to be written: that comes first. */
  readonly isBusy: () => boolean;
  readonly log: Logger;
  readonly fail: (error: unknown) => void;
}

/** @returns stops it; a step that has begun is finished first */
export function keepRolledUp({ pool, metrics, isBusy, log, fail }: RollUpsDeps): () => Promise<void> {
  const ending = new AbortController();
  let saidMs = 0;
  let doneMs = Date.now();

  /** @returns how long to wait before the next */
  async function step(): Promise<number> {
    const startedMs = Date.now();
    if (isBusy() && startedMs - doneMs < YIELDS_MS) return LOOK_EVERY_MS;
    const done = await rollUp(pool, LIMITS, startedMs);
    if (done === undefined) return LOOK_EVERY_MS;
    metrics.rolledReadings.inc(done.readings);
    for (const [bin, stretches] of Object.entries(done.stretches)) metrics.rolledUp.inc({ bin }, stretches);
    // With much to do it rests as long as it worked.
    if (!done.isDone) return Date.now() - startedMs;
    doneMs = startedMs;
    if (startedMs - saidMs >= SAY_EVERY_MS) {
      await markRolledUp(pool);
      saidMs = startedMs;
    }
    return LOOK_EVERY_MS;
  }

  async function run(): Promise<void> {
    let failures = 0;
    while (!ending.signal.aborted) {
      try {
        const waitMs = await step();
        failures = 0;
        await pause(waitMs, ending.signal);
      } catch (error) {
        const isGonePartition = error instanceof Error && 'code' in error && error.code === NO_PARTITION;
        if (!isTransient(error) && !isGonePartition) throw error;
        failures += 1;
        log.warn({ err: error, failures }, 'the roll-ups have to wait');
        await pause(backoffMs(failures), ending.signal);
      }
    }
  }

  const running = run().catch(fail);
  return async () => {
    ending.abort();
    await running;
  };
}
