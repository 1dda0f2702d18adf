// A battery that switches should appear with slope +1 on its own leg's service channel and with 0 on the
// other: -1 says reversed, the other channel says swapped, nothing at all says no signal, another slope that
// stays says another ratio. Where the inlet channels show the step too, they tell in the meter's own time
// between which two readings it fell, so that clock offsets do not matter and little else can have switched.

import { zoneClock } from '@afterwatt/tariff';
import type { Site } from '@afterwatt/wire';
import type { ClampState } from './arrangement.ts';
import { type ChannelNoise, logDensity, logJumpDensity } from './channel-noise.ts';
import {
  type ClampPair,
  confirmsGain,
  isOtherRatio,
  isTimersGain,
  learn,
  noteGain,
  ratioLikelihood,
} from './clamp-pair.ts';
import { MOST_NATS } from './sequential-test.ts';
import { placeSign, TRACE_W } from './service-sign.ts';
import type { StepWindow } from './step-window.ts';

type Row = StepWindow['before'];

/** Smaller steps are lost in what a house does (common practice). */
const LEAST_STEP_W = 150;
/** A channel that moves by less than this share of a step does not show it. */
const COMPENSATED = 0.2;
/** Halves of one step are alike within this share. */
const ALIKE = 0.1;
/** What is left on the legs beside a step is a load across both when it is alike within this share. */
const LINE_ALIKE = 0.2;
/** Of what switches by chance beside a step, about one in twenty lies across both legs, nats (common practice). */
const LINE_LOAD_NATS = 3;
/** The battery's figure, the clamp's, and what its own leg's voltage changes: share of the step. */
const STEP_ACCURACY = 0.04;

export interface StepSurroundings {
  /** Of the two service channels, from one reading to the next. */
  readonly noises: readonly ChannelNoise[];
  /** Usual time between meter readings, ms. */
  readonly periodMs: number;
  /** What L2 shows of a 240 V load as a share of what L1 does, where that is known. */
  readonly legRatio: number | null;
  /** False where the batteries only fed: one that makes up for a part of a load steps with it, always in one ratio. */
  readonly tellsRatio: boolean;
  /** True where exchanged inlet clamps would tell of another step: one mistake that explains both channels. */
  readonly inletsMayMislead: boolean;
}

/**
 * Judges the service pair by one step of the batteries.
 * @param inletStepW what the batteries of each inlet changed by, W, in the site's order of inlets
 */
export function learnServiceFromStep(
  pair: ClampPair,
  site: Site,
  inletStepW: readonly number[],
  { before, after }: StepWindow,
  { noises, periodMs, legRatio, tellsRatio, inletsMayMislead }: StepSurroundings,
): void {
  const legStepW = stepOfLegs(site, inletStepW);
  if (Math.max(Math.abs(legStepW[0]), Math.abs(legStepW[1])) < LEAST_STEP_W) return;
  if (isCompensated(legStepW, before, after) || isAcrossBoth(legStepW, before, after)) return;
  const readings = Math.max(1, (after.at - before.at) / periodMs);

  const changeW = (channel: number) => legOf(after, channel) - legOf(before, channel);
  const { wallMs } = zoneClock(site.timeZone);
  const gains = legStepW.map((legW, channel) =>
    Math.abs(legW) < LEAST_STEP_W ? null : changeW(channel) / legW,
  );
  const tells = gains.map(
    (gain, channel) =>
      gain !== null &&
      (tellsRatio || confirmsGain(pair, channel, gain, suspectedGain(legRatio, channel))) &&
      !isTimersGain(pair, channel, gain, after.at, wallMs),
  );
  // A load across both legs hides a step on the one and makes it up on the other: that is one coincidence.
  const aliasedW = isLineLoadToo(legStepW, changeW) ? Math.max(...legStepW.map(Math.abs)) : 0;
  const oneJumpNats = () =>
    Math.max(
      ...noises.map(
        (noise) => logDensity(noise, 0, readings, STEP_ACCURACY * aliasedW) - logJumpDensity(noise, readings),
      ),
    );
  const ownNats = inletsMayMislead ? MOST_NATS : 2 * MOST_NATS;
  const mostNats = aliasedW > 0 ? Math.min(ownNats, oneJumpNats() + LINE_LOAD_NATS) : ownNats;
  const likelihood = (channel: number, swapped: boolean, state: ClampState): number => {
    const noise = noises[channel];
    if (noise === undefined) return 0;
    const legW = legStepW[swapped ? 1 - channel : channel] ?? 0;
    const explains = (expectedW: number) =>
      logDensity(noise, changeW(channel) - expectedW, readings, STEP_ACCURACY * Math.abs(legW));
    const sign = placeSign(swapped);
    switch (state) {
      case 'right':
        return explains(sign * legW);
      case 'reversed':
        return explains(-sign * legW);
      case 'dead':
        return isQuiet(before, channel) && isQuiet(after, channel) ? explains(0) : refuted(noise, readings);
      case 'ratio': {
        // Two mistakes at once are told apart once one of them is mended.
        if (swapped) return logJumpDensity(noise, readings);
        const suspected = suspectedGain(legRatio, channel);
        const jump = logJumpDensity(noise, readings);
        const ratio = ratioLikelihood(pair, channel, suspected, changeW(channel), legW, explains, jump);
        // Refuted by a step that comes out right, but not likelier than an arrow.
        return tells[channel] === true ? ratio : Math.min(ratio, Math.max(explains(legW), explains(-legW)));
      }
    }
  };
  learn(pair, 'steps', after.at, 1, concerned(legStepW), likelihood, mostNats);
  gains.forEach((gain, channel) => {
    if (gain !== null && tells[channel] === true) noteGain(pair, channel, gain, after.at);
  });
}

/** The gain of a channel if it is the one that makes 240 V loads look unequal. */
function suspectedGain(legRatio: number | null, channel: number): number | null {
  if (legRatio === null) return null;
  const gain = channel === 0 ? 1 / legRatio : legRatio;
  return isOtherRatio(gain) ? gain : null;
}

/** What the batteries of each leg changed by, W. */
function stepOfLegs(site: Site, inletStepW: readonly number[]): [number, number] {
  const legStepW: [number, number] = [0, 0];
  inletStepW.forEach((stepW, i) => {
    legStepW[site.inlets[i]?.leg === 'L2' ? 1 : 0] += stepW;
  });
  return legStepW;
}

/**
 * Neither channel shows the step, and the one that should is alive: a battery that keeps its leg's power level
 * was switched by the very load it makes up for. Says nothing of the clamps.
 */
function isCompensated(legStepW: readonly number[], before: Row, after: Row): boolean {
  const mostW = Math.max(...legStepW.map((stepW) => Math.abs(stepW)));
  const shows = [0, 1].some(
    (channel) => Math.abs(legOf(after, channel) - legOf(before, channel)) >= COMPENSATED * mostW,
  );
  return (
    !shows && concerned(legStepW).some((channel) => !isQuiet(before, channel) || !isQuiet(after, channel))
  );
}

/** Half of the step on either leg: the unit stands across both, and tells of neither clamp. */
function isAcrossBoth([l1StepW, l2StepW]: [number, number], before: Row, after: Row): boolean {
  if (l1StepW !== 0 && l2StepW !== 0) return false;
  const halfW = (l1StepW + l2StepW) / 2;
  return [0, 1].every(
    (channel) => Math.abs(legOf(after, channel) - legOf(before, channel) - halfW) <= ALIKE * Math.abs(halfW),
  );
}

/** Beside the step both legs changed alike, by about as much: a load across both that switched with the battery. */
function isLineLoadToo(legStepW: readonly [number, number], changeW: (channel: number) => number): boolean {
  const [l1W, l2W] = [changeW(0) - legStepW[0], changeW(1) - legStepW[1]];
  const leastW = Math.max(Math.abs(legStepW[0]), Math.abs(legStepW[1])) / 2;
  return (
    Math.min(Math.abs(l1W), Math.abs(l2W)) >= leastW && Math.abs(l1W - l2W) <= LINE_ALIKE * Math.abs(l1W)
  );
}

/** A step on one leg says something of both channels: one must show it, the other must not. */
function concerned(legStepW: readonly number[]): number[] {
  return [0, 1].filter((channel) => Math.abs(legStepW[channel] ?? 0) >= LEAST_STEP_W);
}

function refuted(noise: ChannelNoise, readings: number): number {
  return logJumpDensity(noise, readings) - 3;
}

function isQuiet(row: Row, channel: number): boolean {
  return Math.abs(legOf(row, channel)) <= TRACE_W;
}

function legOf(row: Row, channel: number): number {
  return row.legW[channel] ?? 0;
}
