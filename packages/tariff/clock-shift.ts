import { TARIFF_PERIODS } from '@afterwatt/wire';
import { batteryRuns, type Run } from './battery-runs.ts';
import type { PricedPeriod, TariffCalendar } from './calendar.ts';
import { MINUTE_MS } from './zone-clock.ts';

// A battery with a wrong clock keeps the right schedule at the wrong time: all its switching is late, or early,
// by the same amount. One hour is a missed change to or from daylight saving time, several are a wrong zone.
//
// Easily confused with it: a battery that follows its own timer within cheap hours (its charging moves, its
// discharging does not), one that is empty before the peak ends (its discharging ends early, but begins on
// time), storms and outages (leave those bins out). So both charging and discharging must have moved, and what
// is compared is where they begin: where they end depends on how full the battery is. A battery whose charging
// never begins at a change of price (at midnight within a long cheap night) shows nothing by it: then both the
// beginnings and the ends of its discharging must have moved. What cannot be told from it is an owner's own
// timers that move all of it by the same amount.
//
// Each beginning is scored by the density of a mixture: with probability SCHEDULED it was caused by the schedule
// and lies at a change of price in the right direction, else it may lie anywhere in the week. The shift with
// the greatest likelihood is compared with no shift, and with every other shift.

export type ClockShiftInput = {
  /** Start of the first bin, milliseconds since the Unix epoch. */
  fromMs: number;
  /**
   * Mean power at the battery's AC port in each bin of 15 min from fromMs on, W, positive = charging; null where
   * nothing is known or the battery did not follow its schedule for a good reason (a storm, an outage).
   * A week is 672 bins.
   */
  powerW: readonly (number | null)[];
  calendar: TariffCalendar;
};

export type ClockShift =
  /** The battery acts this many minutes late (positive) or early (negative). */
  | { kind: 'shifted'; shiftMinutes: number; logLikelihoodRatio: number; switchings: number }
  /** No shift explains its switching better than none. */
  | { kind: 'in-step'; logLikelihoodRatio: number; switchings: number }
  | { kind: 'undecided'; reason: 'flat-tariff' | 'too-little-switching' | 'ambiguous' };

export const SHIFT_BIN_MINUTES = 15;
const BIN_MS = SHIFT_BIN_MINUTES * MINUTE_MS;
/** Half a day, in bins: a shift of -12 h is the same as one of +12 h where every day is alike. */
const MAX_SHIFT_BINS = 48;

/** How many of the beginnings are expected to follow the schedule to within a bin. Our own estimate. */
const SCHEDULED = 0.8;
/** Where a scheduled switching is seen, in bins from the change of price: controllers lag more often than lead. */
const SPREAD: readonly (readonly [bins: number, probability: number])[] = [
  [-1, 0.15],
  [0, 0.55],
  [1, 0.3],
];
/** A change into the dearest or cheapest price of the tariff is acted on more often than one between others. */
const EXTREME_WEIGHT = 3;
/** How much rarer a run at the wrong price (charging in the dearest) is than one at another. Our own estimate. */
const LOG_WRONG_PRICE = Math.log(0.1);

/** Of each kind, days on which a beginning must be seen. */
const MIN_DAYS = 3;
/** Of each kind, the part of the days with a beginning on which one lies where the shifted schedule puts it. */
const MIN_MATCHED_DAYS = 0.6;
/** Of charging that follows the price so much lies where it is lowest; the rest is partial bins. */
const MIN_CHEAP = 0.9;
/**
 * The log-likelihood ratio to reach: with 96 shifts tried, exp(-12) is a chance below 1 in 1,000 of one of them
 * doing so by accident (union bound, 96 / exp(12) = 0.0006).
 */
const MIN_LOG_LIKELIHOOD_RATIO = 12;
const DAY_BINS = 96;
/** Changes to daylight saving time and wrong zones are whole hours: one is named unless it is clearly wrong. */
const HOUR_BINS = 4;

/** Finds the constant shift of a battery's clock, in steps of 15 min within 12 h, that its switching shows best. */
export function findClockShift({ fromMs, powerW, calendar }: ClockShiftInput): ClockShift {
  const schedule = readSchedule(calendar, fromMs, powerW.length);
  if (schedule === undefined) return { kind: 'undecided', reason: 'flat-tariff' };

  const runs = batteryRuns(powerW);
  const charging = runs.filter((run) => run.charging);
  const feeding = runs.filter((run) => !run.charging);
  if (![charging, feeding].every((ofKind) => daysOf(ofKind).size >= MIN_DAYS))
    return { kind: 'undecided', reason: 'too-little-switching' };

  const found = bestShift([charging, feeding], schedule, 'begins');
  // Charging that begins on time says that the clock is right, and one at other prices that it follows none.
  const isOnTime = matchedDays(charging, schedule, 0, 'begins') >= MIN_MATCHED_DAYS;
  if (found.kind !== 'undecided' || isOnTime || !isCheap(charging, schedule, 0)) return found;
  const byFeeding = bestShift([feeding], schedule, 'begins and ends');
  const shift = byFeeding.kind === 'shifted' ? byFeeding.shiftMinutes / SHIFT_BIN_MINUTES : 0;
  return isCheap(charging, schedule, shift) ? byFeeding : found;
}

type Compared = 'begins' | 'begins and ends';

/** The shift that the beginnings of these kinds of runs, and their ends if asked for, show best. */
function bestShift(kinds: readonly Run[][], schedule: Schedule, compared: Compared): ClockShift {
  const runs = kinds.flat();
  const scores: { shift: number; score: number }[] = [];
  for (let shift = 1 - MAX_SHIFT_BINS; shift <= MAX_SHIFT_BINS; shift += 1) {
    const ends = compared === 'begins' ? 0 : logLikelihoodOfEnds(runs, schedule, shift);
    scores.push({ shift, score: logLikelihood(runs, schedule, shift) + ends });
  }
  const greatest = (among: typeof scores) => among.reduce((a, b) => (b.score > a.score ? b : a));
  const likeliest = greatest(scores);
  const wholeHour = scores.find(
    ({ shift }) => shift % HOUR_BINS === 0 && distance(shift, likeliest.shift) <= 1,
  );
  const best =
    wholeHour !== undefined && likeliest.score - wholeHour.score < MIN_LOG_LIKELIHOOD_RATIO
      ? wholeHour
      : likeliest;
  const rival = greatest(scores.filter(({ shift }) => distance(shift, best.shift) > 1));
  const logLikelihoodRatio = best.score - rival.score;
  const matches = (edge: Edge) =>
    kinds.every((ofKind) => matchedDays(ofKind, schedule, best.shift, edge) >= MIN_MATCHED_DAYS);
  const matched = matches('begins') && (compared === 'begins' || matches('ends'));
  if (logLikelihoodRatio < MIN_LOG_LIKELIHOOD_RATIO || !matched)
    return { kind: 'undecided', reason: 'ambiguous' };

  const switchings = runs.filter((run) => run.beginSeen).length;
  // One bin is the resolution of the method.
  if (Math.abs(best.shift) <= 1) return { kind: 'in-step', logLikelihoodRatio, switchings };
  return { kind: 'shifted', shiftMinutes: best.shift * SHIFT_BIN_MINUTES, logLikelihoodRatio, switchings };
}

/** The schedule around the observed bins, from MAX_SHIFT_BINS before the first to as many after the last. */
type Schedule = {
  bins: number;
  /** For each bin: the expected share of all scheduled switchings that lies in it. */
  dearer: readonly number[];
  cheaper: readonly number[];
  /** For each bin: the price's rank, 0 the dearest. */
  rank: readonly number[];
  dearestRank: number;
  cheapestRank: number;
};

/** undefined where the price never changes: then every shift looks the same. */
function readSchedule(calendar: TariffCalendar, fromMs: number, bins: number): Schedule | undefined {
  const startMs = fromMs - MAX_SHIFT_BINS * BIN_MS;
  const length = bins + 2 * MAX_SHIFT_BINS;
  const periods = calendar.periodsBetween(startMs, startMs + length * BIN_MS);
  const ranks = periods.map(rankOf);
  const dearestRank = Math.min(...ranks);
  const cheapestRank = Math.max(...ranks);
  if (periods.length === 0 || dearestRank === cheapestRank) return undefined;

  const rank = new Array<number>(length).fill(0);
  const dearer = new Array<number>(length).fill(0);
  const cheaper = new Array<number>(length).fill(0);
  for (const [index, period] of periods.entries()) {
    const firstBin = Math.floor((period.startMs - startMs) / BIN_MS);
    rank.fill(rankOf(period), Math.max(0, firstBin));
    const before = periods[index - 1];
    if (before === undefined || rankOf(before) === rankOf(period)) continue;
    const weights = rankOf(period) < rankOf(before) ? dearer : cheaper;
    const extreme = rankOf(period) === dearestRank || rankOf(period) === cheapestRank;
    for (const [offset, probability] of SPREAD) {
      const bin = firstBin + offset;
      if (bin < 0 || bin >= length) continue;
      weights[bin] = (weights[bin] ?? 0) + probability * (extreme ? EXTREME_WEIGHT : 1);
    }
  }
  return {
    bins,
    dearer: asShares(dearer, bins),
    cheaper: asShares(cheaper, bins),
    rank,
    dearestRank,
    cheapestRank,
  };
}

/** Scales weights over all laid-out bins so that they add up to one over as many bins as were observed. */
function asShares(weights: readonly number[], bins: number): number[] {
  const observed = (weights.reduce((sum, w) => sum + w, 0) * bins) / weights.length;
  return weights.map((w) => (observed > 0 ? w / observed : 0));
}

function rankOf(period: PricedPeriod): number {
  return TARIFF_PERIODS.indexOf(period.period);
}

function logLikelihood(runs: readonly Run[], schedule: Schedule, shift: number): number {
  let score = 0;
  for (const run of runs) {
    if (run.beginSeen) {
      score += logDensity(edgesOf(run, schedule, 'begins'), run.begin - shift, schedule.bins);
    }
    if (isAtWrongPrice(run, schedule, shift)) score += LOG_WRONG_PRICE;
  }
  return score;
}

/** A run ends where the price turns the other way. */
function logLikelihoodOfEnds(runs: readonly Run[], schedule: Schedule, shift: number): number {
  let score = 0;
  for (const run of runs) {
    if (run.end < schedule.bins)
      score += logDensity(edgesOf(run, schedule, 'ends'), run.end - shift, schedule.bins);
  }
  return score;
}

type Edge = 'begins' | 'ends';

function edgesOf({ charging }: Run, { cheaper, dearer }: Schedule, edge: Edge): readonly number[] {
  return charging === (edge === 'begins') ? cheaper : dearer;
}

function logDensity(shares: readonly number[], bin: number, bins: number): number {
  return Math.log(SCHEDULED * (shares[bin + MAX_SHIFT_BINS] ?? 0) + (1 - SCHEDULED) / bins);
}

/** Whether most of a run lies where the shifted schedule is dearest (charging) or cheapest (discharging). */
function isAtWrongPrice(run: Run, schedule: Schedule, shift: number): boolean {
  const wrong = run.charging ? schedule.dearestRank : schedule.cheapestRank;
  let wrongBins = 0;
  for (let bin = run.begin; bin < run.end; bin += 1) {
    if (schedule.rank[bin - shift + MAX_SHIFT_BINS] === wrong) wrongBins += 1;
  }
  return wrongBins > (run.end - run.begin) / 2;
}

/** Whether nearly all of these runs lies where the shifted schedule is cheapest. */
function isCheap(runs: readonly Run[], { rank, cheapestRank }: Schedule, shift: number): boolean {
  let bins = 0;
  let cheapBins = 0;
  for (const run of runs) {
    for (let bin = run.begin; bin < run.end; bin += 1) {
      bins += 1;
      if (rank[bin - shift + MAX_SHIFT_BINS] === cheapestRank) cheapBins += 1;
    }
  }
  return cheapBins >= MIN_CHEAP * bins;
}

/** The part of the days with a beginning on which one lies, or ends, within a bin of a change of price its way. */
function matchedDays(runs: readonly Run[], schedule: Schedule, shift: number, edge: Edge): number {
  const matched = runs.filter((run) => {
    const bin = edge === 'begins' ? run.begin : run.end;
    return (edgesOf(run, schedule, edge)[bin - shift + MAX_SHIFT_BINS] ?? 0) > 0;
  });
  return daysOf(matched).size / daysOf(runs).size;
}

/** The days, counted from the first bin, on which runs are known to begin. */
function daysOf(runs: readonly Run[]): Set<number> {
  return new Set(runs.filter((run) => run.beginSeen).map((run) => Math.floor(run.begin / DAY_BINS)));
}

/** How far two shifts are apart, in bins, the short way round the day. */
function distance(a: number, b: number): number {
  const apart = Math.abs(a - b);
  return Math.min(apart, DAY_BINS - apart);
}
