// A load across both legs (240 V: water heater, range, air conditioning, car charger) draws the same from each:
// both channels step at once, by the same amount and with the same sign. Opposite signs: one of the clamps
// stands the wrong way round. Another ratio that comes again and again: one of them is of another ratio.
// Easily confused with: two 120 V loads that switch together (their ratio is any), and a 240 V load with a
// 120 V part, such as a dryer's motor (its ratio is its own, not that of all others).

import { z } from 'zod';
import type { ClampState } from './arrangement.ts';
import {
  type ClampPair,
  isOwnRatio,
  lastOtherGain,
  learnJointly,
  otherRatio,
  ownRatioMs,
  USUAL_RATIOS,
} from './clamp-pair.ts';
import { MOST_NATS } from './sequential-test.ts';

/** Smaller steps on a leg are too often two loads that switch by chance together. */
const LEAST_LEG_STEP_W = 400;
/** Ratios of the two legs' steps within this share of each other are the same ratio. */
const SAME_RATIO = 0.06;
/** A gain from a few battery steps is known so well. */
const ALIKE = 0.2;
/**
 * A meter that shows means spreads one load over two readings, in shares that differ from time to time: its size is
 * the sum of both. A smaller part leaves the other within SIZES_APART of the whole.
 */
const LEAST_PART_W = 100;
/** Loads remembered, and how many of them must agree in their ratio before it is taken for the clamps' own. */
const LOADS = 9;
const AGREEING = 4;
/** A clamp has its ratio for loads of every size; an appliance has its own for itself. */
const SIZES_APART = 1.2;
/** So many of them before a battery's step were no two loads by chance. */
const SEEN_BEFORE = 2;
/** A load that cycles is not a new witness each time. */
const MINUTE_MS = 60_000;
const LEAST_SPACING_MS = 2 * MINUTE_MS;
/** The most that one load may say. */
const MOST_LOAD_NATS = 2.5;
/** Density of ln|ratio|: loads across both legs, and two loads by chance. */
const LINE_LOAD_SHARE = 0.5;
const CHANCE_DENSITY = 0.3;

export const lineLoadsSchema = z.object({
  /** Steps of both legs, W, as the channels show them, newest last, and the minutes since the load before. */
  steps: z.array(z.tuple([z.number(), z.number(), z.number()])).max(LOADS),
  /** Device time of the newest. */
  lastMs: z.number(),
  /** What both legs changed by to the newest reading, if that may be the first part of a load; null otherwise. */
  part: z.object({ atMs: z.number(), stepW: z.tuple([z.number(), z.number()]) }).nullable(),
});
export type LineLoads = z.infer<typeof lineLoadsSchema>;

export function startLineLoads(): LineLoads {
  return { steps: [], lastMs: 0, part: null };
}

/**
 * Takes the steps of both service channels between two consecutive readings, W; most of them say nothing.
 * @param at device time of the later reading
 */
export function learnFromLineLoad(
  pair: ClampPair,
  lineLoads: LineLoads,
  at: number,
  l1StepW: number,
  l2StepW: number,
): void {
  const { part } = lineLoads;
  const isPart = Math.min(Math.abs(l1StepW), Math.abs(l2StepW)) >= LEAST_PART_W;
  const isSecond =
    part !== null && isPart && at - part.atMs < LEAST_SPACING_MS && isOneWay(part.stepW, l1StepW, l2StepW);
  lineLoads.part = isPart && !isSecond ? { atMs: at, stepW: [l1StepW, l2StepW] } : null;
  if (part === null) return;
  const [l1W, l2W] = part.stepW;
  if (isSecond) judgeLoad(pair, lineLoads, at, l1W + l1StepW, l2W + l2StepW);
  else judgeLoad(pair, lineLoads, part.atMs, l1W, l2W);
}

function isOneWay([l1W, l2W]: readonly [number, number], l1StepW: number, l2StepW: number): boolean {
  return l1W * l1StepW > 0 && l2W * l2StepW > 0;
}

function judgeLoad(
  pair: ClampPair,
  lineLoads: LineLoads,
  at: number,
  l1StepW: number,
  l2StepW: number,
): void {
  if (Math.abs(l1StepW) < LEAST_LEG_STEP_W || Math.abs(l2StepW) < LEAST_LEG_STEP_W) return;
  if (at - lineLoads.lastMs < LEAST_SPACING_MS) return;
  const ratio = l2StepW / l1StepW;
  const usual = usualRatio(lineLoads);
  learnJointly(pair, 'lineLoads', at, 1, [0, 1], ({ clamps }) => {
    const [first = 'right', second = 'right'] = clamps;
    if (first === 'dead' || second === 'dead') return -MOST_NATS;
    const expected = expectedRatio(pair, first, second, usual, lineLoads);
    return Math.max(-MOST_LOAD_NATS, expected === null ? logDensity(null) : logDensity(ratio / expected));
  });
  const { steps, lastMs } = lineLoads;
  if (steps.length === LOADS) steps.shift();
  steps.push([Math.round(l1StepW), Math.round(l2StepW), Math.round((at - lastMs) / MINUTE_MS)]);
  lineLoads.lastMs = at;
}

/** The ratio of steps that two clamps would show, or null where it may be any. */
function expectedRatio(
  pair: ClampPair,
  first: ClampState,
  second: ClampState,
  usual: number | null,
  lineLoads: LineLoads,
): number | null {
  const signs = (first === 'reversed' ? -1 : 1) * (second === 'reversed' ? -1 : 1);
  if (first !== 'ratio' && second !== 'ratio') return signs;
  // Two clamps of one box are both of the same other ratio.
  if (first === second) return signs;
  const ofLoads = usual === null || isOwnRatio(usual) ? null : usual;
  const channel = first === 'ratio' ? 0 : 1;
  const gain = otherRatio(pair, channel) ?? (ofLoads === null ? lastOtherGain(pair, channel) : null);
  if (gain === null) {
    if (ofLoads === null) return null;
    // A clamp that a battery proved right while the loads were like this already is not the one.
    return seenUntil(lineLoads, ofLoads, ownRatioMs(pair, channel)) >= SEEN_BEFORE ? null : ofLoads;
  }
  const ofSteps = signs * (first === 'ratio' ? 1 / gain : gain);
  return ofLoads !== null && isSame(ofLoads, ofSteps, ALIKE) ? ofLoads : ofSteps;
}

/** Log density of ln(ratio / expected), relative to that of a load that fits. */
function logDensity(relative: number | null): number {
  const peak = 1 / (2 * SAME_RATIO);
  const fits = relative !== null && isSame(relative, 1);
  const density = (fits ? LINE_LOAD_SHARE * peak : 0) + (1 - LINE_LOAD_SHARE) * CHANCE_DENSITY;
  return Math.log(density / (LINE_LOAD_SHARE * peak + (1 - LINE_LOAD_SHARE) * CHANCE_DENSITY));
}

/** L2's step over L1's, as the remembered loads agree on, if they do; earlier loads only. The newest agreement counts. */
export function usualRatio({ steps }: LineLoads): number | null {
  for (const [l1W, l2W] of steps.toReversed()) {
    const ratio = l2W / l1W;
    const agreeing = steps.filter(([first, second]) => isSame(second / first, ratio));
    const sizes = agreeing.map(([first]) => Math.abs(first));
    const several = Math.max(...sizes) >= SIZES_APART * Math.min(...sizes);
    // Few appliances divide so between the legs.
    const usual = USUAL_RATIOS.some((other) => isSame(Math.abs(ratio), other));
    if (agreeing.length >= AGREEING && (several || usual)) return ratio;
  }
  return null;
}

/** How many of the remembered loads were of this ratio up to that device time. */
function seenUntil({ steps, lastMs }: LineLoads, ratio: number, untilMs: number): number {
  let seen = 0;
  let at = lastMs;
  for (const [l1W, l2W, sinceMin] of steps.toReversed()) {
    if (at <= untilMs && isSame(l2W / l1W, ratio)) seen += 1;
    at -= sinceMin * MINUTE_MS;
  }
  return seen;
}

function isSame(ratio: number, other: number, within = SAME_RATIO): boolean {
  return ratio * other > 0 && Math.abs(Math.log(ratio / other)) <= within;
}
