// An inlet channel should read what its battery says it draws, whatever the level and without any step:
// slope +1. The batteries' readings of the last seconds bracket what it can be, which takes in the offset of
// the clocks and the battery's own modulation.
//
// Readings at one level share their errors: a wrong ratio fits them all as well as it fits the first. So one
// level counts for MOST_OF_LEVEL observations, however long it lasts; the silence that a channel jumped to while
// neither battery nor service moved counts for one more, as the jump itself says that the clamp came off. Not
// compared are
//   - a battery that is not steady, or an inlet channel that is not: one that hunts between charging and feeding
//     may be read in the one whenever the meter looks at the other;
//   - a level to which only one side has moved: the other's figure is stale or frozen. Unless the channel shows
//     nothing at all (a dead clamp), or jumped without the service (a clamp that was turned just then);
//   - anything while something else runs on the inlet's circuit, as its channel shows while all batteries rest.

import type { Site } from '@afterwatt/wire';
import { z } from 'zod';
import { type BatteryTracks, rangeSince } from './battery-track.ts';
import { logMixture } from './channel-noise.ts';
import { type ClampPair, learn, noteGain, ratioLikelihood } from './clamp-pair.ts';
import { isSilent } from './inlet-step-evidence.ts';
import { CLOCK_OFFSET_MS, inletSign, NO_SIGNAL_W, sameLeg } from './inlets.ts';
import { isInletWithin, type MeterRow, type MeterWindow, rowBefore, rowsSince } from './meter-window.ts';

/** Less says nothing of direction: standby draw, and the clamp's own error near 0. */
const LEAST_LEVEL_W = 70;
/** So much time of one level counts as one observation, and a level for so many. */
const OBSERVATION_MS = 30_000;
const MOST_OF_LEVEL = 3;
const MOST_AFTER_JUMP = 4;
/** Levels within this share of each other, or so many watts, are the same. */
const SAME_LEVEL = { share: 0.2, watts: 60 };
/** Once there is no more to be learned from a level, it is looked at so often. */
const LOOK_MS = 15_000;
/** A service channel that moves by less than this share of what an inlet channel does moves by itself. */
const TOGETHER_SHARE = 0.4;
/** Below this the error near 0 hides the ratio. */
const LEAST_RATIO_LEVEL_W = 250;
/** Errors of clamp and battery near 0. */
const ZERO_ERROR_W = 15;
const LEVEL_ACCURACY = 0.04;
/** A ratio that was learned fits less exactly than one that is known, or it would win by having been fitted. */
const RATIO_ACCURACY = 0.07;
/** Batteries at rest draw less than the one; a channel that then shows more than the other shows another load. */
const AT_REST_W = 60;
const FOREIGN_W = 100;
/** Even enough to tell a ratio; even enough to tell a direction. */
const STEADY_SHARE = 0.1;
const STILL_SHARE = 0.35;
/** Share of pairs that do not belong together: a lost reading, a clock that jumps. */
const OUTLIER_SHARE = 0.02;
/** Share of pairs in which the battery was idle after all, by a clock further off: less, the longer it goes on. */
const MISPLACED_SHARE = 0.02;
const STILL_MISPLACED = 0.1;
const LOG_OUTLIER = logMixture(Number.POSITIVE_INFINITY, 1, OUTLIER_SHARE);
const OUTLIER = Math.exp(LOG_OUTLIER);
const ROOT_OF_TWO_PI = Math.sqrt(2 * Math.PI);

export const levelsSchema = z.object({
  /** Device time of the meter reading that was last compared. */
  comparedMs: z.number(),
  /** The present level: what the batteries of each inlet said, and what its channel showed, W. */
  saidW: z.array(z.number()),
  shownW: z.array(z.number()),
  /** Observations that it has been counted for, and may be. */
  used: z.number(),
  most: z.number(),
  /** An inlet channel has jumped since, and the service did not move with it. */
  jumped: z.boolean(),
  /** When all batteries rested last, some inlet channel showed a load all the same. */
  foreign: z.boolean(),
});
export type Levels = z.infer<typeof levelsSchema>;

export function startLevels(inlets: number): Levels {
  const none = Array.from({ length: inlets }, () => 0);
  return {
    comparedMs: 0,
    saidW: none,
    shownW: [...none],
    used: MOST_OF_LEVEL,
    most: MOST_OF_LEVEL,
    jumped: false,
    foreign: false,
  };
}

/**
 * Takes what the meter's channels moved by between two consecutive readings, in place.
 * @param inletStepW the most that an inlet channel moved by, W, not negative
 * @param legStepW the most that a service channel did
 */
export function noteJump(levels: Levels, inletStepW: number, legStepW: number): void {
  if (inletStepW >= SAME_LEVEL.watts && legStepW < TOGETHER_SHARE * inletStepW) levels.jumped = true;
}

/**
 * Compares the newest meter reading that the batteries have been heard for CLOCK_OFFSET_MS after, in place.
 * @param at device time of the battery reading that has just come
 */
export function learnFromLevel(
  pair: ClampPair,
  levels: Levels,
  site: Site,
  tracks: BatteryTracks,
  window: MeterWindow,
  at: number,
): void {
  const spacingMs = levels.used >= levels.most ? LOOK_MS : 1;
  // Most often there is nothing to look for yet, whatever the meter has said.
  if (at - CLOCK_OFFSET_MS - levels.comparedMs < spacingMs) return;
  const meter = rowBefore(window, at - CLOCK_OFFSET_MS);
  const elapsedMs = (meter?.at ?? 0) - levels.comparedMs;
  if (meter === undefined || elapsedMs < spacingMs) return;
  levels.comparedMs = meter.at;
  const fromMs = meter.at - CLOCK_OFFSET_MS;
  const said: Range[] = [];
  const shownW: number[] = [];
  for (const { number } of site.inlets) {
    const range = saidOf(site, tracks, number, fromMs);
    const watts = meter.inletW[number - 1] ?? null;
    if (range === null || watts === null || !isEven(range)) return;
    said.push(range);
    shownW.push(watts);
  }
  let heardMs = fromMs;
  for (const { beforeMs } of tracks.batteries) heardMs = Math.min(heardMs, beforeMs);
  if (!isStill(window, heardMs, site, shownW)) return;
  if (said.every((range) => Math.abs(middleOf(range)) < AT_REST_W)) {
    // A clamp of twice the ratio shows twice their rest.
    const restW = said.reduce((sum, range) => sum + Math.abs(middleOf(range)), 0);
    levels.foreign = shownW.some((watts) => Math.abs(watts) > FOREIGN_W + 2 * restW);
  }
  if (levels.foreign) return;
  if (!isLevel(levels, said, shownW)) {
    if (!areBothMoved(levels, said, shownW)) return;
    takeLevel(levels, said, shownW);
  }
  const weight = Math.min(1, elapsedMs / OBSERVATION_MS, levels.most - levels.used);
  if (weight <= 0) return;
  const loaded = said.flatMap((range, i) => (isLoaded(range) ? [i] : []));
  const misplaced = MISPLACED_SHARE * STILL_MISPLACED ** Math.floor(levels.used);
  const rows = rowsSince(window, heardMs);
  const compared: Compared = { said, shownW, loaded, rows, oneLeg: sameLeg(site), misplaced };
  judge(pair, compared, weight, meter.at);
  const isFirst = levels.used < 1 && levels.used + weight >= 1;
  levels.used = Math.round(100 * (levels.used + weight)) / 100;
  if (!isFirst) return;
  for (const channel of loaded) {
    const range = said[channel];
    if (range !== undefined && isSteady(range)) {
      noteGain(pair, channel, (shownW[channel] ?? 0) / middleOf(range), meter.at);
    }
  }
}

interface Compared {
  readonly said: readonly Range[];
  readonly shownW: readonly number[];
  /** Channels of inlets that carry enough to tell. */
  readonly loaded: readonly number[];
  readonly rows: readonly MeterRow[];
  readonly oneLeg: boolean;
  readonly misplaced: number;
}

function judge(pair: ClampPair, compared: Compared, weight: number, at: number): void {
  const { said, shownW, loaded, rows, oneLeg, misplaced } = compared;
  learn(pair, 'levels', at, weight, loaded, (channel, swapped, state) => {
    const range = said[swapped ? 1 - channel : channel];
    const channelW = shownW[channel];
    if (range === undefined || channelW === undefined) return 0;
    const sign = inletSign(swapped, oneLeg);
    switch (state) {
      case 'right':
        return logExplained(channelW, sign, range, LEVEL_ACCURACY, misplaced);
      case 'reversed':
        return logExplained(channelW, -sign, range, LEVEL_ACCURACY, misplaced);
      case 'dead':
        return isSilent(rows, channel)
          ? logExplained(channelW, 0, range, LEVEL_ACCURACY, misplaced)
          : LOG_OUTLIER;
      case 'ratio': {
        const middleW = middleOf(range);
        if (!isSteady(range)) return logExplained(channelW, sign, range, LEVEL_ACCURACY, misplaced);
        if (swapped) return LOG_OUTLIER;
        const explainsW = (expectedW: number) =>
          logExplained(channelW, expectedW / middleW, range, RATIO_ACCURACY, misplaced);
        return ratioLikelihood(pair, channel, null, channelW, middleW, explainsW, LOG_OUTLIER);
      }
    }
  });
}

/** Still where the batteries and the channels were? */
function isLevel(levels: Levels, said: readonly Range[], nowW: readonly number[]): boolean {
  return !hasSaidMoved(levels, said) && nowW.every((watts, i) => isNear(watts, levels.shownW[i]));
}

/** Have both the batteries and the channels come from another level, so far as they can? */
function areBothMoved(levels: Levels, said: readonly Range[], shownW: readonly number[]): boolean {
  const saidMoved = hasSaidMoved(levels, said);
  const shownMoved = shownW.some((watts, i) => !isNear(watts, levels.shownW[i]));
  if (saidMoved && shownMoved) return true;
  return saidMoved ? shownW.every((watts) => Math.abs(watts) <= NO_SIGNAL_W) : levels.jumped;
}

function hasSaidMoved({ saidW }: Levels, said: readonly Range[]): boolean {
  return said.some((range, i) => !isNear(middleOf(range), saidW[i]));
}

function takeLevel(levels: Levels, said: readonly Range[], shownW: readonly number[]): void {
  const isSilenced = said.some((range, i) => isLoaded(range) && Math.abs(shownW[i] ?? 0) <= NO_SIGNAL_W);
  const cameOff = isSilenced && levels.jumped && !hasSaidMoved(levels, said);
  levels.saidW = said.map((range) => Math.round(middleOf(range)));
  levels.shownW = [...shownW];
  levels.most = cameOff ? MOST_AFTER_JUMP : MOST_OF_LEVEL;
  levels.used = said.some(isLoaded) ? 0 : levels.most;
  levels.jumped = false;
}

function isNear(watts: number, levelW = 0): boolean {
  return Math.abs(watts - levelW) <= Math.max(SAME_LEVEL.watts, SAME_LEVEL.share * Math.abs(levelW));
}

interface Range {
  readonly lowW: number;
  readonly highW: number;
}

function middleOf({ lowW, highW }: Range): number {
  return (lowW + highW) / 2;
}

function isLoaded(range: Range): boolean {
  return Math.abs(middleOf(range)) >= LEAST_LEVEL_W;
}

function isEven({ lowW, highW }: Range): boolean {
  return highW - lowW <= 2 * ZERO_ERROR_W + STILL_SHARE * Math.max(Math.abs(lowW), Math.abs(highW));
}

/** Have the channels been where they are since then? */
function isStill(window: MeterWindow, sinceMs: number, { inlets }: Site, shownW: readonly number[]): boolean {
  for (let i = 0; i < inlets.length; i++) {
    const levelW = shownW[i] ?? 0;
    const apartW = ZERO_ERROR_W + STILL_SHARE * Math.abs(levelW);
    if (!isInletWithin(window, sinceMs, inlets[i]?.number ?? 1, levelW - apartW, levelW + apartW))
      return false;
  }
  return true;
}

/** Log density of what a channel shows, if its gain is this, whatever of the range it was just then. */
function logExplained(
  channelW: number,
  gain: number,
  range: Range,
  accuracy: number,
  misplacedShare: number,
): number {
  const { lowW, highW } = range;
  const middleW = middleOf(range);
  // Either is a share of what the clamp shows: a dead one shows 0, whatever flows.
  const scaleW = ZERO_ERROR_W + Math.abs(gain) * (accuracy * Math.abs(middleW) + (highW - lowW) / 8);
  const density =
    normalDensity(channelW - gain * lowW, scaleW) / 3 +
    normalDensity(channelW - gain * middleW, scaleW) / 3 +
    normalDensity(channelW - gain * highW, scaleW) / 3;
  // A clock that is off by more, around the battery's switching: it may have been idle.
  const idle = gain === 0 ? density : normalDensity(channelW, ZERO_ERROR_W);
  const misplaced = (1 - misplacedShare) * density + misplacedShare * idle;
  return Math.log((1 - OUTLIER_SHARE) * misplaced + OUTLIER);
}

/** Instruments that agree within their class have no heavy tails: what is farther off belongs to no hypothesis. */
function normalDensity(residualW: number, scaleW: number): number {
  return Math.exp(-((residualW / scaleW) ** 2) / 2) / (ROOT_OF_TWO_PI * scaleW);
}

/** High and even enough to tell a ratio from the error near 0. */
function isSteady({ lowW, highW }: Range): boolean {
  const leastW = lowW * highW > 0 ? Math.min(Math.abs(lowW), Math.abs(highW)) : 0;
  return leastW >= LEAST_RATIO_LEVEL_W && highW - lowW <= STEADY_SHARE * leastW;
}

/** What the batteries on an inlet drew since then, between which bounds, W; null where one was not heard. */
function saidOf(site: Site, tracks: BatteryTracks, inlet: number, sinceMs: number): Range | null {
  let lowW = 0;
  let highW = 0;
  for (let index = 0; index < site.batteries.length; index++) {
    if (site.batteries[index]?.inlet !== inlet) continue;
    const range = rangeSince(tracks, index, sinceMs);
    if (range === undefined) return null;
    lowW += range.lowW;
    highW += range.highW;
  }
  return { lowW, highW };
}
