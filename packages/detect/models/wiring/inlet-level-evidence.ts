// An inlet channel should read what its battery says it draws, whatever the level and without any step:
// slope +1. The batteries' readings of the last seconds bracket what it can be, which takes in the offset of
// the clocks and the battery's own modulation.

import type { Site } from '@afterwatt/wire';
import { type BatteryTracks, rangeSince } from './battery-track.ts';
import { logMixture } from './channel-noise.ts';
import { type ClampPair, isSettled, learn, noteGain, ratioLikelihood } from './clamp-pair.ts';
import { isSilent } from './inlet-step-evidence.ts';
import { CLOCK_OFFSET_MS, inletSign, sameLeg } from './inlets.ts';
import { type MeterWindow, rowBefore } from './meter-window.ts';

/** Less says nothing of direction: standby draw, and the clamp's own error near 0. */
const LEAST_LEVEL_W = 100;
/** Readings of one level share their errors: so much time of them counts as one observation. */
const OBSERVATION_MS = 30_000;
/** Below this the error near 0 hides the ratio. */
const LEAST_RATIO_LEVEL_W = 400;
/** Errors of clamp and battery near 0. */
const ZERO_ERROR_W = 15;
const LEVEL_ACCURACY = 0.04;
const STEADY_SHARE = 0.1;
/** A battery heard less often than this may have been switched and back in between. */
const SELDOM_MS = 25_000;
const STILL_SHARE = 0.3;
/** Share of pairs that do not belong together: a lost reading, a clock that jumps. */
const OUTLIER_SHARE = 0.02;
/** Share of pairs in which the battery was idle after all, by a clock further off. */
const MISPLACED_SHARE = 0.02;
const LOG_OUTLIER = logMixture(Number.POSITIVE_INFINITY, 1, OUTLIER_SHARE);

/**
 * Compares the newest meter reading that the batteries have been heard for CLOCK_OFFSET_MS after.
 * @param comparedMs device time of the meter reading that was compared before
 * @param at device time of the battery reading that has just come
 * @returns device time of the meter reading now compared
 */
export function learnFromLevel(
  pair: ClampPair,
  site: Site,
  tracks: BatteryTracks,
  window: MeterWindow,
  comparedMs: number,
  at: number,
): number {
  const meter = rowBefore(window, at - CLOCK_OFFSET_MS);
  if (meter === undefined || meter.at <= comparedMs) return comparedMs;
  // What is settled need not be asked with every reading: one whole observation is worth as much as its parts.
  if (isSettled(pair) && meter.at - comparedMs < OBSERVATION_MS) return comparedMs;
  const levels = site.inlets.map(({ number }) => levelOf(site, tracks, number, meter.at - CLOCK_OFFSET_MS));
  const shownW = site.inlets.map(({ number }) => meter.inletW[number - 1] ?? null);
  const loaded = site.inlets.map((_, i) => i).filter((i) => mostW(levels[i]) >= LEAST_LEVEL_W);
  if (loaded.length === 0 || levels.includes(null) || shownW.includes(null)) return meter.at;
  const sinceMs = tracks.batteries.reduce((least, { atMs }) => Math.min(least, atMs.at(-2) ?? 0), at);
  if (at - sinceMs > SELDOM_MS && !isStill(window, sinceMs, shownW)) return meter.at;
  const oneLeg = sameLeg(site);
  const weight = Math.min(1, (meter.at - comparedMs) / OBSERVATION_MS);
  learn(pair, 'levels', meter.at, weight, loaded, (channel, swapped, state) => {
    const level = levels[swapped ? 1 - channel : channel];
    const channelW = shownW[channel];
    if (level === undefined || level === null || channelW === undefined || channelW === null) return 0;
    const explains = (gain: number) => logExplained(channelW, gain, level);
    const sign = inletSign(swapped, oneLeg);
    switch (state) {
      case 'right':
        return explains(sign);
      case 'reversed':
        return explains(-sign);
      case 'dead':
        return isSilent(window.rows, channel) ? explains(0) : LOG_OUTLIER;
      case 'ratio': {
        const middleW = (level.lowW + level.highW) / 2;
        if (!isSteady(level)) return explains(sign);
        if (swapped) return LOG_OUTLIER;
        const explainsW = (expectedW: number) => explains(expectedW / middleW);
        return ratioLikelihood(pair, channel, null, channelW, middleW, explainsW, LOG_OUTLIER);
      }
    }
  });
  for (const channel of loaded) {
    const level = levels[channel];
    const channelW = shownW[channel];
    if (level && isSteady(level) && channelW !== null && channelW !== undefined) {
      noteGain(pair, channel, (2 * channelW) / (level.lowW + level.highW));
    }
  }
  return meter.at;
}

function mostW(level: Level | null | undefined): number {
  return level === null || level === undefined ? 0 : Math.max(Math.abs(level.lowW), Math.abs(level.highW));
}

/** True if the inlet channels have not moved since then: what a battery says seldom holds in between. */
function isStill(window: MeterWindow, sinceMs: number, shownW: readonly (number | null)[]): boolean {
  return window.rows.every(
    ({ at, inletW }) =>
      at < sinceMs ||
      shownW.every((watts, i) => {
        const change = Math.abs((inletW[i] ?? 0) - (watts ?? 0));
        return change <= ZERO_ERROR_W + STILL_SHARE * Math.abs(watts ?? 0);
      }),
  );
}

interface Level {
  readonly lowW: number;
  readonly highW: number;
}

/** Log density of what a channel shows, if its gain is this, whatever of the level's range it was just then. */
function logExplained(channelW: number, gain: number, { lowW, highW }: Level): number {
  const middleW = (lowW + highW) / 2;
  const scaleW = ZERO_ERROR_W + LEVEL_ACCURACY * Math.abs(middleW) + (highW - lowW) / 8;
  let density = 0;
  for (const trueW of [lowW, middleW, highW]) {
    density += Math.exp(logMixture(channelW - gain * trueW, scaleW, OUTLIER_SHARE)) / 3;
  }
  // A clock that is off by more, around the battery's switching: it may have been idle.
  const idle = Math.exp(logMixture(channelW, ZERO_ERROR_W, OUTLIER_SHARE));
  return Math.log((1 - MISPLACED_SHARE) * density + (gain === 0 ? density : idle) * MISPLACED_SHARE);
}

/** High and even enough to tell a ratio from the error near 0. */
function isSteady({ lowW, highW }: Level): boolean {
  const leastW = lowW * highW > 0 ? Math.min(Math.abs(lowW), Math.abs(highW)) : 0;
  return leastW >= LEAST_RATIO_LEVEL_W && highW - lowW <= STEADY_SHARE * leastW;
}

/** What the batteries on an inlet drew since then, between which bounds, W; null where one was not heard. */
function levelOf(site: Site, tracks: BatteryTracks, inlet: number, sinceMs: number): Level | null {
  let lowW = 0;
  let highW = 0;
  for (const [index, battery] of site.batteries.entries()) {
    if (battery.inlet !== inlet) continue;
    const range = rangeSince(tracks, index, sinceMs);
    if (range === undefined) return null;
    lowW += range.lowW;
    highW += range.highW;
  }
  return { lowW, highW };
}
