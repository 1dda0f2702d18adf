// For how long readings have stood over a limit, when they come some seconds apart and some are lost. A
// reading speaks for its own period: the start is taken half a period before the first reading over, and
// a gap counts for one period, never for its length.

import { z } from 'zod';

/** Readings farther apart than this many periods have lost some in between. */
export const GAP_PERIODS = 2.5;
/** After a gap of so long (and longer than GAP_PERIODS) what was over before it is another matter. */
const FORGOTTEN_MS = 5 * 60_000;
/** Readings that the mean looks back on. */
const MEAN_READINGS = 6;

export const holdSchema = z.object({
  /** Device time of the newest reading; 0 before the first. */
  at: z.number(),
  /** The newest reading as a share of the limit: 1.04 is 4 % over. */
  ratio: z.number(),
  /** Device time of the first reading of the present stretch over the limit; 0 outside one. */
  sinceMs: z.number(),
  /** Time that the stretch is known to have lasted, ms. */
  heldMs: z.number(),
  /** Readings in the stretch, and their mean as a share of the limit, the recent ones weighing more. */
  readings: z.number(),
  meanRatio: z.number(),
});

export type Hold = z.infer<typeof holdSchema>;

export function startHold(): Hold {
  return { at: 0, ratio: 0, sinceMs: 0, heldMs: 0, readings: 0, meanRatio: 0 };
}

/**
 * Takes one reading into the hold, in place. A stretch begins at a reading of `enter` or more and goes on
 * while readings stay at `stay` or more.
 * @param ratio the reading as a share of its limit, 0 and up
 * @param periodMs usual time between readings of this source
 */
export function observeHold(
  hold: Hold,
  at: number,
  ratio: number,
  periodMs: number,
  enter: number,
  stay: number,
): void {
  const sinceLastMs = at - hold.at;
  if (sinceLastMs <= 0 && hold.at > 0) return;
  const before = hold.at;
  hold.at = at;
  hold.ratio = rounded(ratio);
  // Nearly always nothing is over and nothing was.
  if (hold.readings === 0 && ratio < enter) return;
  const forgotten = sinceLastMs > Math.max(FORGOTTEN_MS, GAP_PERIODS * periodMs);
  const known = before > 0 && !forgotten;
  if (hold.readings > 0 && (ratio < stay || forgotten)) {
    hold.sinceMs = 0;
    hold.heldMs = 0;
    hold.readings = 0;
    hold.meanRatio = 0;
  }
  if (hold.readings === 0) {
    if (ratio < enter) return;
    hold.sinceMs = at;
    hold.heldMs = known ? Math.min(sinceLastMs, periodMs) / 2 : 0;
  } else {
    hold.heldMs += sinceLastMs <= GAP_PERIODS * periodMs ? sinceLastMs : periodMs;
  }
  hold.readings += 1;
  const mean = hold.meanRatio + (ratio - hold.meanRatio) / Math.min(hold.readings, MEAN_READINGS);
  hold.meanRatio = rounded(mean);
}

/** To a hundred-thousandth: short in a checkpoint, and finer than any meter. */
function rounded(ratio: number): number {
  return Math.round(1e5 * ratio) / 1e5;
}
