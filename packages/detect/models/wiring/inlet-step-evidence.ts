// A battery's step must appear on its own inlet's channel, as it is: no house load stands in between. Tells even
// where the battery is never still for long, as in a proving run.

import { logMixture } from './channel-noise.ts';
import { type ClampPair, learn, noteGain, ratioLikelihood } from './clamp-pair.ts';
import { inletSign, NO_SIGNAL_W } from './inlets.ts';
import type { MeterRow } from './meter-window.ts';

const LEAST_STEP_W = 150;
/** Below this the error near 0 hides the ratio. */
const LEAST_RATIO_STEP_W = 400;
/** Errors of clamp and battery near 0, and of either as a share of the step. */
const ZERO_ERROR_W = 20;
const STEP_ACCURACY = 0.05;
/** Share of steps that do not belong to what the rows show. */
const OUTLIER_SHARE = 0.05;
const MISSED_SHARE = 0.02;
const LOG_OUTLIER = logMixture(Number.POSITIVE_INFINITY, 1, OUTLIER_SHARE);
/** A channel that moves to and fro by more than this beyond its net change shows more than one step. */
const TO_AND_FRO = { share: 0.3, watts: 60 };

/**
 * Judges the inlet clamps by one step of the batteries.
 * @param rows readings from before the step to after it
 * @param inletStepW what the batteries of each inlet changed by, W
 */
export function learnInletsFromStep(
  pair: ClampPair,
  rows: readonly MeterRow[],
  inletStepW: readonly number[],
  oneLeg: boolean,
): void {
  const [first, last] = [rows[0], rows.at(-1)];
  const stepped = inletStepW.map((_, i) => i).filter((i) => Math.abs(inletStepW[i] ?? 0) >= LEAST_STEP_W);
  if (first === undefined || last === undefined || stepped.length === 0) return;
  const changesW: number[] = [];
  for (const channel of inletStepW.keys()) {
    const [from, to] = [first.inletW[channel] ?? null, last.inletW[channel] ?? null];
    if (from === null || to === null || isToAndFro(rows, channel)) return;
    changesW.push(to - from);
  }
  learn(pair, 'steps', last.at, 1, stepped, (channel, swapped, state) => {
    const stepW = inletStepW[swapped ? 1 - channel : channel] ?? 0;
    const changeW = changesW[channel] ?? 0;
    const scaleW = ZERO_ERROR_W + STEP_ACCURACY * Math.abs(stepW);
    // By a clock further off, the step may have fallen outside: no change is no proof of a dead clamp yet.
    const missed = Math.exp(logMixture(changeW, ZERO_ERROR_W, OUTLIER_SHARE));
    const explains = (expectedW: number) =>
      Math.log(
        (1 - MISSED_SHARE) * Math.exp(logMixture(changeW - expectedW, scaleW, OUTLIER_SHARE)) +
          MISSED_SHARE * missed,
      );
    const sign = inletSign(swapped, oneLeg);
    switch (state) {
      case 'right':
        return explains(sign * stepW);
      case 'reversed':
        return explains(-sign * stepW);
      case 'dead':
        return isSilent(rows, channel) ? explains(0) : LOG_OUTLIER;
      case 'ratio':
        if (Math.abs(stepW) < LEAST_RATIO_STEP_W) return explains(sign * stepW);
        return swapped
          ? LOG_OUTLIER
          : ratioLikelihood(pair, channel, null, changeW, stepW, explains, LOG_OUTLIER);
    }
  });
  for (const channel of stepped) {
    const stepW = inletStepW[channel] ?? 0;
    if (Math.abs(stepW) >= LEAST_RATIO_STEP_W)
      noteGain(pair, channel, (changesW[channel] ?? 0) / stepW, last.at);
  }
}

/** True for a channel that shows nothing in any of the rows. */
export function isSilent(rows: readonly MeterRow[], channel: number): boolean {
  return rows.every((row) => Math.abs(row.inletW[channel] ?? 0) <= NO_SIGNAL_W);
}

function isToAndFro(rows: readonly MeterRow[], channel: number): boolean {
  const values = rows.map((row) => row.inletW[channel] ?? 0);
  let pathW = 0;
  for (const [i, value] of values.entries()) pathW += Math.abs(value - (values[i - 1] ?? value));
  const netW = Math.abs((values.at(-1) ?? 0) - (values[0] ?? 0));
  return pathW > (1 + TO_AND_FRO.share) * netW + TO_AND_FRO.watts;
}
