// An inlet channel should read what its battery says it draws, whatever the level and without any step:
// slope +1. The batteries' readings of the last seconds bracket what it can be, which takes in the offset of
// the clocks and the battery's own modulation.

import type { Site } from '@afterwatt/wire';
import { CLOCK_OFFSET_MS } from './battery-step-evidence.ts';
import { type BatteryTracks, rangeSince } from './battery-track.ts';
import { logMixture } from './channel-noise.ts';
import { type ClampPair, learn, noteGain, ratioLikelihood } from './clamp-pair.ts';
import type { MeterRow } from './meter-window.ts';

/** Less says nothing of direction: standby draw, and the clamp's own error near 0. */
const LEAST_LEVEL_W = 100;
/** Readings of one level share their errors: so much time of them counts as one observation. */
const OBSERVATION_MS = 50_000;
/** Below this the error near 0 hides the ratio. */
const LEAST_RATIO_LEVEL_W = 400;
/** Errors of clamp and battery near 0. */
const ZERO_ERROR_W = 15;
const LEVEL_ACCURACY = 0.04;
/** Share of pairs that do not belong together: a lost reading, a clock that jumps. */
const OUTLIER_SHARE = 0.02;
const LOG_OUTLIER = logMixture(Number.POSITIVE_INFINITY, 1, OUTLIER_SHARE);

/**
 * Compares one meter reading with what the batteries said from CLOCK_OFFSET_MS before it to as long after it.
 * @param sinceLastMs time since the meter reading that was compared before
 */
export function learnFromLevel(
  pair: ClampPair,
  site: Site,
  tracks: BatteryTracks,
  meter: MeterRow,
  sinceLastMs: number,
): void {
  const levels = site.inlets.map(({ number }) => levelOf(site, tracks, number, meter.at - CLOCK_OFFSET_MS));
  const shownW = site.inlets.map(({ number }) => meter.inletW[number - 1] ?? null);
  if (
    !levels.some((level) => level !== null && level.lowW * level.highW > 0 && level.leastW >= LEAST_LEVEL_W)
  )
    return;
  if (levels.includes(null) || shownW.includes(null)) return;
  const sameLeg = site.inlets[0]?.leg === site.inlets[1]?.leg;

  const loaded = site.inlets.map((_, i) => i).filter((i) => (levels[i]?.leastW ?? 0) >= LEAST_LEVEL_W);
  const weight = Math.min(1, sinceLastMs / OBSERVATION_MS);
  learn(pair, 'levels', meter.at, weight, loaded, (channel, swapped, state) => {
    const level = levels[swapped ? 1 - channel : channel];
    const channelW = shownW[channel];
    if (level === undefined || level === null || channelW === undefined || channelW === null) return 0;
    const middleW = (level.lowW + level.highW) / 2;
    const scaleW = ZERO_ERROR_W + LEVEL_ACCURACY * Math.abs(middleW) + (level.highW - level.lowW) / 2;
    const explains = (expectedW: number) => logMixture(channelW - expectedW, scaleW, OUTLIER_SHARE);
    const sign = swapped && !sameLeg ? -1 : 1;
    switch (state) {
      case 'right':
        return explains(sign * middleW);
      case 'reversed':
        return explains(-sign * middleW);
      case 'dead':
        return explains(0);
      case 'ratio':
        if (level.leastW < LEAST_RATIO_LEVEL_W) return explains(sign * middleW);
        if (swapped) return LOG_OUTLIER;
        return ratioLikelihood(pair, channel, channelW, middleW, explains, LOG_OUTLIER);
    }
  });
  for (const channel of loaded) {
    const level = levels[channel];
    const channelW = shownW[channel];
    if (level && level.leastW >= LEAST_RATIO_LEVEL_W && channelW !== null && channelW !== undefined) {
      noteGain(pair, channel, (2 * channelW) / (level.lowW + level.highW));
    }
  }
}

/** What the batteries on an inlet drew since then, between which bounds, W; null where one was not heard. */
function levelOf(site: Site, tracks: BatteryTracks, inlet: number, sinceMs: number) {
  let lowW = 0;
  let highW = 0;
  for (const [index, battery] of site.batteries.entries()) {
    if (battery.inlet !== inlet) continue;
    const range = rangeSince(tracks, index, sinceMs);
    if (range === undefined) return null;
    lowW += range.lowW;
    highW += range.highW;
  }
  const leastW = lowW * highW > 0 ? Math.min(Math.abs(lowW), Math.abs(highW)) : 0;
  return { lowW, highW, leastW };
}
