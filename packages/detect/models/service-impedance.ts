// What the service and its neutral resist, learned from the house's own loads. With source voltage E, service
// resistance Zs and neutral resistance Zn, and in-phase currents i = p / v:
//   v1 + v2 = 2 E - (i1 + i2) Zs          v1 - v2 = -(i1 - i2) (Zs + 2 Zn)
// The second is free of E and of every 240 V load, so levels hours apart lie on one line: its slope is kept
// from the last few steady levels, and its running median over the last ones is what the neutral is worth now.
// The first moves with E and is taken on differences between neighbouring readings.
//
// Clamps may sit wrong. Both turned, swapped, or swapped and both turned leave the difference of the currents
// what it is or turn its sign; one turned (swapped or not) makes their sum out of it. So both are tried, the
// one that explains the voltages is kept, and only the size of a slope counts.

import {
  advanceRunningMedian,
  advanceSlopeTracker,
  createRunningMedian,
  createSlopeTracker,
  impedanceFromSlopes,
  inPhaseCurrentA,
  medianAbsoluteDeviation,
  type RunningMedian,
  runningMedian,
  type SlopeTracker,
  theilSen,
} from '@afterwatt/electrical';
import type { MeterReading, Site } from '@afterwatt/wire';
import { z } from 'zod';
import type { Model, SiteView } from '../site-view.ts';
import { dailyOhmsSchema, daysOf, setDay, startDailyOhms } from './daily-ohms.ts';
import { NO_SIGNAL_W } from './wiring/service-sign.ts';
import { areFine } from './wiring/voltage-evidence.ts';

const DAY_MS = 86_400_000;
/** Steady levels that the slope at hand is taken from; five new ones turn it (Theil-Sen stands 29 % of strangers). */
const LEVELS = 9;
const LEAST_LEVELS = 6;
/** A level is new when a current differs from the last one kept by this much, A. */
const NEW_LEVEL_A = 2;
/**
 * A voltage that was the same at so many more levels in a row than the other leg's hangs (own judgement): then
 * v1 - v2 moves with all that the grid does to the other leg. A coarse one says nothing by that.
 */
const HANGS_LEVELS = 4;
/** Two readings in a row that differ by less than this are steady: no start of a motor, no step in between. */
const STEADY_A = 0.5;
/** Twice what NO_SIGNAL_W is at the lowest voltage, A. */
const SILENT_A = 0.15;
/** The levels must spread so far to give a slope, A. */
const LEAST_SPREAD_A = 3;
/** What a dead clamp hides at most: two branch circuits of 20 A under full load (own judgement). */
const HIDDEN_A = 40;
/**
 * Zs + 2 Zn of a usual service, 0.04 ohm each (common practice: tens of milliohm): a line drawn beside a dead clamp
 * may be flatter than the truth.
 */
const USUAL_SLOPE_OHM = 0.12;
/** Slopes remembered for the running median. */
const SLOPES = 15;
/** Days of history that are kept. */
const HISTORY_DAYS = 60;
/** A day counts when so many slopes were taken in it. */
const SLOPES_A_DAY = 4;
/** Readings farther apart than this have other things between them than a load's step. */
const NEIGHBOURS_MS = 130_000;
/** Lines that the running medians need before they say anything. */
const LEAST_LINES = 5;
/** Beyond what the accuracy of two voltages allows, a line may miss nought at no current by this, V. */
const INTERCEPT_MARGIN_V = 0.5;
/** Only levels that differ by so much, and so many of them, tell one arrangement from the other. */
const DISTINCT_A = 1;
const DISTINCT_LEVELS = 4;
/** Votes for one arrangement of the clamps or the other; the sign decides, the bound keeps it open to change. */
const VOTES_MAX = 8;
const VOTES_TO_TURN = 3;
/** A leg that moves by less is noise beside what the other one does (own judgement: 120 W). */
const LEG_MOVES_A = 1;
/** One arrangement explains better when it leaves so much less. */
const EXPLAINS_BETTER = 0.7;
/** Memory and least step of the sum's slope: 240 V loads and heaters. */
const SUM_TRACKER = { memorySteps: 200, minStepX: 4, leastScaleY: 0.1 };
/** The sum's slope is believed from this standard error on, ohm. */
const SUM_ERROR_OHM = 0.02;
/** Share of the difference's slope that is the service's own where nothing is known: Zs = Zn (common practice). */
const SERVICE_SHARE = 1 / 3;
/**
 * Parts of an ampere, a volt and an ohm that what is remembered is rounded to: finer than the noise of a meter, whose
 * last digits are 1 W and 0.1 V.
 */
const STEP_A = 100;
const STEP_V = 100;
const STEP_OHM = 1000;

const runningMedianSchema = z
  .object({ windowSize: z.number(), arrived: z.array(z.number()), next: z.number() })
  .transform((saved): RunningMedian => ({ ...saved, sorted: saved.arrived.toSorted((a, b) => a - b) }));
const slopeTrackerSchema = z.object({
  slope: z.number(),
  standardError: z.number(),
  effectiveCount: z.number(),
  scale: z.number(),
  restarts: z.number(),
  firstX: z.array(z.number()),
  firstY: z.array(z.number()),
  sumXX: z.number(),
  sumXY: z.number(),
  sumWeightedXX: z.number(),
  sumWeight: z.number(),
  sumSquaredWeight: z.number(),
  stepCount: z.number(),
  direction: z.number(),
});
const schema = z.object({
  /** Steady levels, oldest first: difference and sum of the leg currents, A, and difference of the voltages, V. */
  levels: z.array(z.object({ difA: z.number(), sumA: z.number(), difV: z.number() })),
  /** Voltages of the legs at the last new level, V, and at how many before it in a row they were the same. */
  lastV: z.tuple([z.number(), z.number()]),
  sameV: z.tuple([z.number(), z.number()]),
  /** Positive: the difference of the currents explains the voltages; negative: their sum, one clamp is turned. */
  votes: z.number(),
  usesSum: z.boolean(),
  /** Slopes and intercepts of the last levels' lines, ohm and V. */
  slopes: runningMedianSchema,
  intercepts: runningMedianSchema,
  /** The newest line: neutral resistance, ohm, and whether its levels lie on it. */
  latestOhm: z.number().nullable(),
  latestFits: z.boolean(),
  /** How many lines were taken so far; tells a detector that there is a new one. */
  lines: z.number(),
  linesToday: z.number(),
  sum: slopeTrackerSchema,
  /** Day of the newest reading, and a value for each day that had enough lines. */
  day: z.number(),
  days: dailyOhmsSchema,
});

export type ServiceImpedanceState = z.infer<typeof schema>;

export const serviceImpedanceModel: Model<ServiceImpedanceState> = {
  state: schema,
  start: () => ({
    levels: [],
    lastV: [0, 0],
    sameV: [0, 0],
    votes: 0,
    usesSum: false,
    slopes: createRunningMedian(SLOPES),
    intercepts: createRunningMedian(SLOPES),
    latestOhm: null,
    latestFits: false,
    lines: 0,
    linesToday: 0,
    sum: createSlopeTracker(),
    day: 0,
    days: startDailyOhms(),
  }),
  observe(state, event, view) {
    if (event.kind === 'mended' && event.incidentKind === 'open-neutral') forgetLevels(state);
    if (event.kind !== 'meter') return;
    const before = view.previousMeter;
    if (before === null || event.at - before.at > NEIGHBOURS_MS || !isLive(event, view)) return;
    if (!isLive(before, view)) return;
    closeDay(state, event.at);
    learnSum(state, before, event);
    if (!isNewLevel(state, before, event)) return;
    const hangs = noteVoltages(state, event) && areFine(view.wiring.voltages);
    if (!hangs) takeLevel(state, event, mostInterceptV(view.site));
  },
};

/**
 * Neutral resistance as the last lines have it (running median), ohm; null before there are a few of them.
 * Good to some hundredths of an ohm.
 */
export function neutralOhm(state: ServiceImpedanceState): number | null {
  const slope = state.slopes.arrived.length < LEAST_LINES ? undefined : runningMedian(state.slopes);
  return slope === undefined ? null : neutralOf(state, slope);
}

/** One value a day, oldest first, for a page that shows the trend. */
export function neutralTrend(view: SiteView): readonly { readonly dayMs: number; readonly ohm: number }[] {
  return daysOf(view.serviceImpedance.days).map(({ day, ohm }) => ({ dayMs: day * DAY_MS, ohm }));
}

/**
 * Distance of v1 - v2 from what the currents explain, V; null before the first line. One line is enough for that: a
 * broken neutral parts the legs by many times what the lines of a sound one differ by.
 */
export function differenceResidualV(state: ServiceImpedanceState, meter: MeterReading): number | null {
  const slope = runningMedian(state.slopes);
  const intercept = runningMedian(state.intercepts);
  if (slope === undefined || intercept === undefined) return null;
  return differenceV(meter) - intercept - slope * neutralCurrentA(state, meter);
}

/**
 * By how much a current that no channel shows may part the legs, V: none while both show something, and behind one
 * that shows nothing what the circuits of a leg draw together, for it may be empty or its clamp dead.
 */
export function hiddenDifferenceV({ slopes }: ServiceImpedanceState, meter: MeterReading): number {
  return isSilent(meter) ? HIDDEN_A * Math.max(USUAL_SLOPE_OHM, Math.abs(runningMedian(slopes) ?? 0)) : 0;
}

/** How far the legs stand apart without any current, v1 - v2, V: the transformer's halves and the meter's errors. */
export function unloadedDifferenceV({ intercepts }: ServiceImpedanceState): number {
  return runningMedian(intercepts) ?? 0;
}

/** In-phase current in the neutral, A, signed, as far as the clamps' arrangement is known. */
export function neutralCurrentA(state: ServiceImpedanceState, meter: MeterReading): number {
  return state.usesSum ? legA(meter, 1) + legA(meter, 2) : legA(meter, 1) - legA(meter, 2);
}

function legA(meter: MeterReading, leg: 1 | 2): number {
  return leg === 1
    ? inPhaseCurrentA(meter.l1W ?? 0, meter.l1V ?? 0)
    : inPhaseCurrentA(meter.l2W ?? 0, meter.l2V ?? 0);
}

function differenceV(meter: MeterReading): number {
  return (meter.l1V ?? 0) - (meter.l2V ?? 0);
}

/** All four quantities are there and the grid is. */
function isLive(meter: MeterReading, view: SiteView): boolean {
  const { l1V, l2V, l1W, l2W } = meter;
  if (l1V === null || l2V === null || l1W === null || l2W === null) return false;
  const lineV = 2 * view.site.service.nominalVolts;
  return view.grid.present !== false && Math.abs(l1V + l2V - lineV) < 0.1 * lineV;
}

function learnSum(state: ServiceImpedanceState, before: MeterReading, now: MeterReading): void {
  const step1A = legA(now, 1) - legA(before, 1);
  const step2A = legA(now, 2) - legA(before, 2);
  const stepA = state.usesSum ? step1A - step2A : step1A + step2A;
  if (Math.abs(stepA) < SUM_TRACKER.minStepX) return;
  const stepV = (now.l1V ?? 0) + (now.l2V ?? 0) - (before.l1V ?? 0) - (before.l2V ?? 0);
  advanceSlopeTracker(state.sum, SUM_TRACKER, stepA, stepV);
  shorten(state.sum);
}

function isNewLevel(state: ServiceImpedanceState, before: MeterReading, now: MeterReading): boolean {
  const l1A = legA(now, 1);
  const l2A = legA(now, 2);
  if (Math.abs(l1A - legA(before, 1)) > STEADY_A || Math.abs(l2A - legA(before, 2)) > STEADY_A) return false;
  const last = state.levels.at(-1);
  if (last === undefined) return true;
  if (isSilent(now) && !state.levels.every(wasSilent)) return false;
  const apartDifA = Math.abs(l1A - l2A - last.difA);
  const apartSumA = Math.abs(l1A + l2A - last.sumA);
  return (state.usesSum ? apartSumA : apartDifA) >= NEW_LEVEL_A;
}

/**
 * Some channel shows nothing: an empty leg, or a dead clamp that hides what its leg carries. A leg that was never
 * otherwise since the levels began is taken for empty.
 */
function isSilent({ l1W, l2W }: MeterReading): boolean {
  return Math.min(Math.abs(l1W ?? 0), Math.abs(l2W ?? 0)) <= NO_SIGNAL_W;
}

/** With one leg at 0 A, the sum of the currents is as large as their difference. */
function wasSilent({ difA, sumA }: Level): boolean {
  return Math.abs(Math.abs(difA) - Math.abs(sumA)) <= SILENT_A;
}

/** Takes the voltages of a new level; does one of them hang? */
function noteVoltages({ lastV, sameV }: ServiceImpedanceState, { l1V, l2V }: MeterReading): boolean {
  const volts = [l1V ?? 0, l2V ?? 0] as const;
  for (const leg of [0, 1] as const) {
    sameV[leg] = volts[leg] === lastV[leg] ? sameV[leg] + 1 : 0;
    lastV[leg] = volts[leg];
  }
  return Math.abs(sameV[0] - sameV[1]) >= HANGS_LEVELS;
}

function takeLevel(state: ServiceImpedanceState, meter: MeterReading, interceptV: number): void {
  const difA = legA(meter, 1) - legA(meter, 2);
  const sumA = legA(meter, 1) + legA(meter, 2);
  if (state.levels.length === LEVELS) state.levels.shift();
  state.levels.push({
    difA: rounded(difA, STEP_A),
    sumA: rounded(sumA, STEP_A),
    difV: rounded(differenceV(meter), STEP_V),
  });
  if (state.levels.length < LEAST_LEVELS) return;
  const byDif = lineOf(state, interceptV, (level) => level.difA);
  const bySum = lineOf(state, interceptV, (level) => level.sumA);
  vote(state, byDif, bySum);
  const line = state.usesSum ? bySum : byDif;
  if (line === undefined) return;
  advanceRunningMedian(state.slopes, line.slope);
  advanceRunningMedian(state.intercepts, line.intercept);
  state.latestOhm = rounded(neutralOf(state, line.slope), STEP_OHM);
  state.latestFits = line.leftV <= 0.2 * Math.abs(line.slope) * line.spreadA;
  state.lines += 1;
  state.linesToday += 1;
}

interface LevelLine {
  readonly slope: number;
  readonly intercept: number;
  /** Range of the currents, A, and the median distance from the line, V. */
  readonly spreadA: number;
  readonly leftV: number;
  /** Levels that are apart from each other. */
  readonly distinct: number;
}

type Level = ServiceImpedanceState['levels'][number];

function lineOf(
  state: ServiceImpedanceState,
  interceptV: number,
  currentOf: (level: Level) => number,
): LevelLine | undefined {
  const amps = state.levels.map(currentOf);
  const volts = state.levels.map((level) => level.difV);
  const spreadA = rangeOf(amps);
  const line = spreadA < LEAST_SPREAD_A ? undefined : theilSen(amps, volts);
  // Without current the legs differ by what the meter's accuracy allows and no more.
  if (line === undefined || Math.abs(line.intercept) > interceptV) return undefined;
  const leftV = medianAbsoluteDeviation(volts.map((v, i) => v - line.slope * (amps[i] ?? 0)));
  const distinct = distinctCount(amps);
  const slope = rounded(line.slope, STEP_OHM);
  return { slope, intercept: rounded(line.intercept, STEP_V), spreadA, leftV, distinct };
}

function rangeOf(values: readonly number[]): number {
  return Math.max(...values) - Math.min(...values);
}

function distinctCount(amps: readonly number[]): number {
  const sorted = amps.toSorted((a, b) => a - b);
  return sorted.filter((value, i) => i === 0 || value - (sorted[i - 1] ?? value) > DISTINCT_A).length;
}

function mostInterceptV({ service, meter }: Site): number {
  return 2 * (meter.accuracyPct / 100) * service.nominalVolts + INTERCEPT_MARGIN_V;
}

/**
 * Counts which of the two explains the voltages; turning over forgets what the other one said. A leg whose current
 * hardly moves tells nothing of its clamp's arrow: both explain alike, and noise would decide.
 */
function vote(
  state: ServiceImpedanceState,
  byDif: LevelLine | undefined,
  bySum: LevelLine | undefined,
): void {
  if (byDif === undefined || bySum === undefined) return;
  if (byDif.distinct < DISTINCT_LEVELS || bySum.distinct < DISTINCT_LEVELS) return;
  const l1A = state.levels.map(({ difA, sumA }) => (sumA + difA) / 2);
  const l2A = state.levels.map(({ difA, sumA }) => (sumA - difA) / 2);
  if (Math.min(rangeOf(l1A), rangeOf(l2A)) < LEG_MOVES_A) return;
  if (byDif.leftV < EXPLAINS_BETTER * bySum.leftV) state.votes = Math.min(VOTES_MAX, state.votes + 1);
  else if (bySum.leftV < EXPLAINS_BETTER * byDif.leftV) state.votes = Math.max(-VOTES_MAX, state.votes - 1);
  const turns = state.usesSum ? state.votes >= VOTES_TO_TURN : state.votes <= -VOTES_TO_TURN;
  if (!turns) return;
  state.usesSum = !state.usesSum;
  state.slopes = createRunningMedian(SLOPES);
  state.intercepts = createRunningMedian(SLOPES);
  state.sum = createSlopeTracker();
}

function neutralOf(state: ServiceImpedanceState, differenceSlope: number): number {
  const known = state.sum.effectiveCount > 0 && state.sum.standardError < SUM_ERROR_OHM;
  const wholeOhm = Math.abs(differenceSlope);
  const serviceOhm = known ? Math.min(Math.abs(state.sum.slope), wholeOhm) : SERVICE_SHARE * wholeOhm;
  return impedanceFromSlopes(-serviceOhm, -wholeOhm).neutralOhm;
}

/** Levels from before a repair say nothing of it. */
function forgetLevels(state: ServiceImpedanceState): void {
  state.levels = [];
  state.slopes = createRunningMedian(SLOPES);
  state.intercepts = createRunningMedian(SLOPES);
  state.latestOhm = null;
  state.latestFits = false;
}

function closeDay(state: ServiceImpedanceState, atMs: number): void {
  const day = Math.floor(atMs / DAY_MS);
  if (day === state.day) return;
  const ohm = neutralOhm(state);
  if (state.day > 0 && ohm !== null && state.linesToday >= SLOPES_A_DAY) {
    setDay(state.days, state.day, ohm, HISTORY_DAYS);
  }
  state.day = day;
  state.linesToday = 0;
}

/** To the nearest of `steps` parts of the unit: what is remembered is kept as short as its use allows. */
function rounded(value: number, steps: number): number {
  return Math.round(steps * value) / steps;
}

/** The same for the sums of a tracker, which are of any size: to six digits. */
function shorten(tracker: SlopeTracker): void {
  tracker.slope = sixDigits(tracker.slope);
  tracker.standardError = sixDigits(tracker.standardError);
  tracker.effectiveCount = sixDigits(tracker.effectiveCount);
  tracker.scale = sixDigits(tracker.scale);
  tracker.sumXX = sixDigits(tracker.sumXX);
  tracker.sumXY = sixDigits(tracker.sumXY);
  tracker.sumWeightedXX = sixDigits(tracker.sumWeightedXX);
  tracker.sumWeight = sixDigits(tracker.sumWeight);
  tracker.sumSquaredWeight = sixDigits(tracker.sumSquaredWeight);
  tracker.direction = sixDigits(tracker.direction);
  tracker.firstX = tracker.firstX.map(sixDigits);
  tracker.firstY = tracker.firstY.map(sixDigits);
}

function sixDigits(value: number): number {
  return Number(value.toPrecision(6));
}
