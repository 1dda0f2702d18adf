// The list of homes to run, and what their results add up to.

import type { IncidentKind } from '@afterwatt/wire';
import type { FaultSpec } from '../scenario.ts';
import { drawFaultlessRun, drawFaultRun, drawPairRun, KINDS, mendedRun, type Run } from './draw.ts';
import { runFleet } from './fleet.ts';
import { judge, type TruthOutcome, tells } from './judge.ts';
import { followMend, type MendOutcome } from './mended.ts';
import { PLANS } from './plans.ts';
import { type Raised, type RunResult, runHome } from './run-home.ts';
import type { Cost, PairTally, Tally } from './table.ts';
import { yardstickUs } from './yardstick.ts';

/** Which home to run; plain data, so that it can be handed to another process. */
export type Job =
  | { readonly is: 'fault'; readonly seed: string; readonly kind: IncidentKind; readonly index: number }
  | { readonly is: 'mended'; readonly seed: string; readonly kind: IncidentKind; readonly index: number }
  | { readonly is: 'pair'; readonly seed: string; readonly index: number }
  | { readonly is: 'faultless'; readonly seed: string; readonly days: number; readonly index: number };

export interface JobResult {
  readonly job: Job;
  readonly faults: readonly FaultSpec[];
  readonly truths: readonly TruthOutcome[];
  /** Of a home whose fault was mended; empty when it was not told before. */
  readonly mended: readonly MendOutcome[];
  readonly wrong: readonly Raised[];
  readonly raised: readonly Raised[];
  readonly cost: Cost;
}

export interface Profile {
  readonly faultRuns: number;
  /** Homes with two faults, and homes of each kind whose fault is mended. */
  readonly pairs: number;
  readonly mendedRuns: number;
  readonly faultlessHomes: number;
  readonly faultlessDays: number;
}

export const PROFILES = {
  quick: { faultRuns: 5, pairs: 20, mendedRuns: 1, faultlessHomes: 12, faultlessDays: 10 },
  full: { faultRuns: 100, pairs: 60, mendedRuns: 5, faultlessHomes: 80, faultlessDays: 91.25 },
} as const satisfies Record<string, Profile>;

/** The longest first, so that no process is left alone with one at the end. */
export function listJobs(seed: string, kinds: readonly IncidentKind[], profile: Profile): Job[] {
  const faultless = count(profile.faultlessHomes).map(
    (index): Job => ({ is: 'faultless', seed, days: profile.faultlessDays, index }),
  );
  const mended = count(profile.mendedRuns).flatMap((index) =>
    kinds
      .filter((kind) => kind !== 'fleet-silence')
      .map((kind): Job => ({ is: 'mended', seed, kind, index })),
  );
  const pairs = count(profile.pairs).map((index): Job => ({ is: 'pair', seed, index }));
  const faults = count(profile.faultRuns).flatMap((index) =>
    kinds.map((kind): Job => ({ is: 'fault', seed, kind, index })),
  );
  return [...faultless, ...mended, ...pairs, ...faults];
}

/** Readings that a job takes, about (means of a full score), by which the time it takes can be told beforehand. */
export function expectedReadings(job: Job): number {
  switch (job.is) {
    case 'faultless':
      return 29_000 * job.days;
    case 'mended':
      return 108_000;
    case 'pair':
      return 61_000;
    case 'fault':
      return 35_000;
  }
}

/** Runs one home, or one fleet. @param cpuUs processor time of this process, microseconds */
export function work(job: Job, cpuUs: () => number): JobResult {
  const yardUs = yardstickUs(cpuUs);
  const { faults, result, mended } = run(job, cpuUs);
  const { truths, wrong } = judge(result);
  const { readings, detectUs, totalUs, stateBytes, fromMs, toMs, raised } = result;
  const faultlessMs = job.is === 'faultless' ? toMs - fromMs : 0;
  const cost = { readings, detectUs, parseUs: yardUs * readings, totalUs, stateBytes, faultlessMs };
  return { job, faults, truths, mended, wrong, raised, cost };
}

interface Ran {
  readonly faults: readonly FaultSpec[];
  readonly result: RunResult;
  readonly mended: readonly MendOutcome[];
}

function run(job: Job, cpuUs: () => number): Ran {
  switch (job.is) {
    case 'faultless':
      return runOne(drawFaultlessRun(job.seed, job.index, job.days), cpuUs);
    case 'pair':
      return runOne(drawPairRun(job.seed, job.index), cpuUs);
    case 'fault':
      if (job.kind === 'fleet-silence') {
        return { faults: [], result: runFleet(`${job.seed}/${job.kind}/${job.index}`, cpuUs), mended: [] };
      }
      return runOne(drawFaultRun(job.seed, job.kind, job.index), cpuUs);
    case 'mended':
      return runMended(drawFaultRun(job.seed, job.kind, job.index), job.kind, cpuUs);
  }
}

function runOne(drawn: Run, cpuUs: () => number): Ran {
  return { faults: drawn.scenario.faults ?? [], result: runHome(drawn, cpuUs), mended: [] };
}

/** Run once to know when its fault is told, and again with a fault that is mended after that. */
function runMended(drawn: Run, kind: IncidentKind, cpuUs: () => number): Ran {
  const first = runOne(drawn, cpuUs);
  const truth = first.result.truths.find((one) => one.kind === kind);
  const told = truth === undefined ? undefined : tells(truth, first.result.raised);
  if (told === undefined) return first;
  const drawnAgain = mendedRun(drawn, kind, told.heardMs);
  const again = runOne(drawnAgain, cpuUs);
  return { ...again, mended: followMend(again.result, endOf(drawnAgain)) };
}

function endOf({ until }: Run): number {
  if (until.is !== 'cleared') throw new Error('this run is not of a mended home');
  return until.endMs;
}

/** Counts by kind, in the order of the contract, and of the homes with two faults. */
export function addUp(results: readonly JobResult[]): { tallies: Tally[]; pairs: PairTally; cost: Cost } {
  const tallies = new Map<IncidentKind, Tally>();
  for (const kind of KINDS) {
    const none = {
      runs: 0,
      told: 0,
      notShown: 0,
      wrong: 0,
      falseInFaultless: 0,
      mended: 0,
      cleared: 0,
      cameBack: 0,
    };
    tallies.set(kind, { kind, ...none, delaysMs: [], clearsMs: [] });
  }
  const of = (kind: IncidentKind): Tally => {
    const tally = tallies.get(kind);
    if (tally === undefined) throw new Error(`no incident kind ${kind}`);
    return tally;
  };
  const cost: Cost = { readings: 0, detectUs: 0, parseUs: 0, totalUs: 0, stateBytes: 0, faultlessMs: 0 };
  const pairs: PairTally = { homes: 0, allTold: 0, truths: 0, told: 0, wrong: 0 };
  for (const result of results) {
    const { job, truths, mended, wrong, cost: its } = result;
    switch (job.is) {
      case 'faultless':
        for (const { kind } of wrong) of(kind).falseInFaultless += 1;
        break;
      case 'fault':
        for (const outcome of truths) countTruth(of(outcome.truth.kind), outcome);
        for (const { kind } of wrong) of(kind).wrong += 1;
        break;
      case 'mended':
        for (const outcome of mended) countMend(of(outcome.truth.kind), outcome);
        break;
      case 'pair':
        countPair(pairs, result);
    }
    cost.readings += its.readings;
    cost.detectUs += its.detectUs;
    cost.parseUs += its.parseUs;
    cost.totalUs += its.totalUs;
    cost.stateBytes = Math.max(cost.stateBytes, its.stateBytes);
    cost.faultlessMs += its.faultlessMs;
  }
  return { tallies: [...tallies.values()], pairs, cost };
}

function countPair(pairs: PairTally, { truths, wrong }: JobResult): void {
  const counted = truths.filter(({ is }) => is === 'told' || is === 'missed');
  const told = counted.filter(({ is }) => is === 'told').length;
  pairs.homes += 1;
  pairs.truths += counted.length;
  pairs.told += told;
  pairs.wrong += wrong.length;
  if (told === counted.length && wrong.length === 0) pairs.allTold += 1;
}

function countMend(tally: Tally, outcome: MendOutcome): void {
  tally.mended += 1;
  switch (outcome.is) {
    case 'cleared':
      tally.cleared += 1;
      tally.clearsMs.push(outcome.afterMs);
      return;
    case 'came back':
      tally.cameBack += 1;
      return;
    case 'stands':
  }
}

function countTruth(tally: Tally, outcome: TruthOutcome): void {
  switch (outcome.is) {
    case 'explained':
      return;
    case 'not shown':
      tally.notShown += 1;
      return;
    case 'missed':
      tally.runs += 1;
      return;
    case 'told':
      tally.runs += 1;
      tally.told += 1;
      if (!PLANS[tally.kind].gradual.includes(outcome.truth.fault)) tally.delaysMs.push(outcome.delayMs);
  }
}

function count(to: number): number[] {
  return Array.from({ length: to }, (_, index) => index);
}
