// How far a channel moves from one reading to the next by what the house does, learned from its own
// differences: a core (small things, rounding) and a share of jumps (loads that switch). A jump may have any
// size, so evidence that would need one weighs the same under every hypothesis, and a load that switches
// together with the battery decides nothing.

import { z } from 'zod';

/** A jump may be anything up to this, either way: a 60 A load on one leg. */
const JUMP_RANGE_W = 8000;
/** Share of jumps that is allowed for even in a house that shows none. */
const LEAST_JUMP_SHARE = 0.03;
const MOST_JUMP_SHARE = 0.6;
/** A difference beyond so many core scales is a jump. */
const JUMP_SCALES = 6;
/** Half the digits of a meter that rounds to 1 W, and its own noise. */
const LEAST_SCALE_W = 4;
/** Each difference moves the running median by this share of itself. */
const MEDIAN_GAIN = 0.03;
const SHARE_GAIN = 0.01;
/** Median of |t| at 3 degrees of freedom is 0.765. */
const SCALE_PER_MEDIAN = 1 / 0.765;
/** Peak of the density of Student's t at 3 degrees of freedom. */
const T3_PEAK = 0.36755;

export const channelNoiseSchema = z.object({ medianW: z.number(), jumpShare: z.number() });
export type ChannelNoise = z.infer<typeof channelNoiseSchema>;

export function startChannelNoise(): ChannelNoise {
  return { medianW: 20, jumpShare: 0.1 };
}

/** Learns from the difference between two consecutive readings, W, in which no battery moved. */
export function learnNoise(noise: ChannelNoise, differenceW: number): void {
  const size = Math.abs(differenceW);
  const isJump = size > JUMP_SCALES * scaleW(noise) + LEAST_SCALE_W;
  noise.jumpShare = rounded(noise.jumpShare + SHARE_GAIN * ((isJump ? 1 : 0) - noise.jumpShare), 1e5);
  const medianW = noise.medianW * (size > noise.medianW ? 1 + MEDIAN_GAIN : 1 - MEDIAN_GAIN);
  noise.medianW = Math.max(1, rounded(medianW, 1e3));
}

/**
 * Natural logarithm of the probability density of a residual, per W: a t core, and a flat share of jumps.
 * @param residualW what the hypothesis leaves unexplained of a difference over `readings` periods
 * @param moreScaleW further uncertainty of the core, W, such as the accuracy of the instruments
 */
export function logDensity(
  noise: ChannelNoise,
  residualW: number,
  readings: number,
  moreScaleW: number,
): number {
  const core = scaleW(noise);
  const share = jumpShareOf(noise, readings);
  return logMixture(residualW, Math.sqrt(readings * core * core + moreScaleW * moreScaleW), share);
}

/** Log density of a residual that only a jump explains: what a hypothesis gets that predicts nothing. */
export function logJumpDensity(noise: ChannelNoise, readings: number): number {
  return Math.log(jumpShareOf(noise, readings) / JUMP_RANGE_W);
}

/** The same mixture with a given scale, W, and share of outliers, 0 to 1. */
export function logMixture(residualW: number, scale: number, outlierShare: number): number {
  const z = residualW / scale;
  const core = T3_PEAK / (scale * (1 + (z * z) / 3) ** 2);
  return Math.log((1 - outlierShare) * core + outlierShare / JUMP_RANGE_W);
}

function rounded(value: number, steps: number): number {
  return Math.round(value * steps) / steps;
}

function scaleW(noise: ChannelNoise): number {
  return Math.max(LEAST_SCALE_W, SCALE_PER_MEDIAN * noise.medianW);
}

function jumpShareOf(noise: ChannelNoise, readings: number): number {
  const share = 1 - (1 - Math.max(LEAST_JUMP_SHARE, noise.jumpShare)) ** readings;
  return Math.min(MOST_JUMP_SHARE, share);
}
