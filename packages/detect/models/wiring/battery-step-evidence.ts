// A battery that switches should appear with slope +1 on its own leg's service channel and with 0 on the
// other: -1 says reversed, the other channel says swapped, nothing at all says no signal, another slope that
// stays says another ratio. Where the inlet channels show the step too, they tell in the meter's own time
// between which two readings it fell, so that clock offsets do not matter and little else can have switched.

import type { Site } from '@afterwatt/wire';
import type { BatteryStep } from './battery-track.ts';
import { type ChannelNoise, logDensity, logJumpDensity } from './channel-noise.ts';
import { type ClampPair, learn, noteGain, ratioLikelihood } from './clamp-pair.ts';
import { type MeterRow, type MeterWindow, rowsAround } from './meter-window.ts';
import { NO_SIGNAL_W, placeSign } from './service-sign.ts';

/** Smaller steps are lost in what a house does (common practice). */
export const LEAST_STEP_W = 150;
/** Clocks of meter and battery differ by up to this (common practice: some seconds). */
export const CLOCK_OFFSET_MS = 10_000;
/** The battery's figure, the clamp's, and what its own leg's voltage changes: share of the step. */
const STEP_ACCURACY = 0.04;
/** A step of which so much shows on the other leg as well came together with something else. */
const ACCOMPANIED = 0.3;
/** The inlet channels show a step if they move by this share of it, and are at rest within this share. */
const INLET_MOVED = 0.4;
const INLET_AT_REST = 0.12;

/** Looks at a finished step once the meter has come past it: undefined = not yet. Returns true when it is used up. */
export function learnFromStep(
  pair: ClampPair,
  site: Site,
  step: BatteryStep,
  window: MeterWindow,
  noises: readonly ChannelNoise[],
  meterPeriodMs: number,
  at: number,
): boolean {
  if (at < step.toMs + CLOCK_OFFSET_MS) return false;
  const legStepW = stepOfLegs(site, step);
  if (Math.max(Math.abs(legStepW[0]), Math.abs(legStepW[1])) < LEAST_STEP_W) return true;
  const rows = rowsAround(window, step.fromMs - CLOCK_OFFSET_MS, step.toMs + CLOCK_OFFSET_MS);
  if (rows === undefined) return true;
  const span = narrowed(rows, step);
  if (span === undefined) return true;
  const { before, after } = span;
  const readings = Math.max(1, (after.at - before.at) / meterPeriodMs);

  const changeW = (channel: number) => legOf(after, channel) - legOf(before, channel);
  learn(pair, 'steps', after.at, 1, concerned(legStepW), (channel, swapped, state) => {
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
      case 'ratio':
        // Two mistakes at once are told apart once one of them is mended.
        if (swapped) return logJumpDensity(noise, readings);
        return ratioLikelihood(
          pair,
          channel,
          changeW(channel),
          legW,
          explains,
          logJumpDensity(noise, readings),
        );
    }
  });
  for (const channel of [0, 1]) {
    const [legW, otherW] = [legStepW[channel] ?? 0, legStepW[1 - channel] ?? 0];
    const alone = otherW !== 0 || Math.abs(changeW(1 - channel)) < ACCOMPANIED * Math.abs(legW);
    if (alone && Math.abs(legW) >= LEAST_STEP_W) noteGain(pair, channel, changeW(channel) / legW);
  }
  return true;
}

/** What the batteries of each leg changed by, W. */
function stepOfLegs(site: Site, step: BatteryStep): [number, number] {
  const legStepW: [number, number] = [0, 0];
  site.batteries.forEach((battery, i) => {
    const inlet = site.inlets.find(({ number }) => number === battery.inlet);
    legStepW[inlet?.leg === 'L2' ? 1 : 0] += step.stepW[i] ?? 0;
  });
  return legStepW;
}

/** A step on one leg says something of both channels: one must show it, the other must not. */
function concerned(legStepW: readonly number[]): number[] {
  return [0, 1].filter((channel) => Math.abs(legStepW[channel] ?? 0) >= LEAST_STEP_W);
}

/**
 * The rows just before and just after the step, by the inlet channels. Without inlet channels, or if they
 * show nothing at all, the whole stretch; undefined when they show that the step fell outside of it.
 */
function narrowed(rows: readonly MeterRow[], step: BatteryStep) {
  const [first, last] = [rows[0], rows.at(-1)];
  if (first === undefined || last === undefined) return undefined;
  const wholeW = step.stepW.reduce((sum, w) => sum + Math.abs(w), 0);
  const moved = (row: MeterRow, from: MeterRow) =>
    Math.abs(inletOf(row, 0) - inletOf(from, 0)) + Math.abs(inletOf(row, 1) - inletOf(from, 1));
  const totalW = moved(last, first);
  if (totalW < INLET_MOVED * wholeW) {
    const alive = rows.some((row) => Math.abs(inletOf(row, 0)) + Math.abs(inletOf(row, 1)) > NO_SIGNAL_W);
    return alive ? undefined : { before: first, after: last };
  }
  const restW = INLET_AT_REST * totalW;
  const begins = rows.findIndex((row) => moved(row, first) > restW);
  const before = rows[Math.max(0, begins - 1)] ?? first;
  const ended = rows.findLastIndex((row) => moved(row, last) > restW);
  const after = rows[Math.min(rows.length - 1, ended + 1)] ?? last;
  return { before, after };
}

function refuted(noise: ChannelNoise, readings: number): number {
  return logJumpDensity(noise, readings) - 3;
}

function isQuiet(row: MeterRow, channel: number): boolean {
  return Math.abs(legOf(row, channel)) <= NO_SIGNAL_W;
}

function legOf(row: MeterRow, channel: number): number {
  return row.legW[channel] ?? 0;
}

function inletOf(row: MeterRow, channel: number): number {
  return row.inletW[channel] ?? 0;
}
