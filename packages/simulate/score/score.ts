// The list of homes to run, and what their results add up to.

import type { IncidentKind } from '@afterwatt/wire';
import type { FaultSpec } from '../scenario.ts';
import { drawFaultlessRun, drawFaultRun, KINDS } from './draw.ts';
import { runFleet } from './fleet.ts';
import { judge, type TruthOutcome } from './judge.ts';
import { PLANS } from './plans.ts';
import { type Raised, type RunResult, runHome } from './run-home.ts';
import type { Cost, Tally } from './table.ts';

/** Which home to run; plain data, so that it can be handed to another process. */
export type Job =
  | { readonly is: 'fault'; readonly seed: string; readonly kind: IncidentKind; readonly index: number }
  | { readonly is: 'faultless'; readonly seed: string; readonly days: number; readonly index: number };

export interface JobResult {
  readonly job: Job;
  readonly fault: FaultSpec | null;
  readonly truths: readonly TruthOutcome[];
  readonly wrong: readonly Raised[];
  readonly raised: readonly Raised[];
  readonly cost: Cost;
}

export interface Profile {
  readonly faultRuns: number;
  readonly faultlessHomes: number;
  readonly faultlessDays: number;
}

export const PROFILES = {
  quick: { faultRuns: 6, faultlessHomes: 12, faultlessDays: 12 },
  full: { faultRuns: 100, faultlessHomes: 80, faultlessDays: 91.25 },
} as const satisfies Record<string, Profile>;

/** The longest first, so that no process is left alone with one at the end. */
export function listJobs(seed: string, kinds: readonly IncidentKind[], profile: Profile): Job[] {
  const faultless = count(profile.faultlessHomes).map(
    (index): Job => ({ is: 'faultless', seed, days: profile.faultlessDays, index }),
  );
  const faults = count(profile.faultRuns).flatMap((index) =>
    kinds.map((kind): Job => ({ is: 'fault', seed, kind, index })),
  );
  return [...faultless, ...faults];
}

/** Runs one home, or one fleet. @param cpuUs processor time of this process, microseconds */
export function work(job: Job, cpuUs: () => number): JobResult {
  const { fault, result } = run(job, cpuUs);
  const { truths, wrong } = judge(result);
  const { readings, detectUs, totalUs, stateBytes, fromMs, toMs, raised } = result;
  const faultlessMs = job.is === 'faultless' ? toMs - fromMs : 0;
  return {
    job,
    fault,
    truths,
    wrong,
    raised,
    cost: { readings, detectUs, totalUs, stateBytes, faultlessMs },
  };
}

function run(job: Job, cpuUs: () => number): { fault: FaultSpec | null; result: RunResult } {
  if (job.is === 'faultless') {
    return { fault: null, result: runHome(drawFaultlessRun(job.seed, job.index, job.days), cpuUs) };
  }
  if (job.kind === 'fleet-silence') {
    return { fault: null, result: runFleet(`${job.seed}/${job.kind}/${job.index}`, cpuUs) };
  }
  const drawn = drawFaultRun(job.seed, job.kind, job.index);
  return { fault: drawn.scenario.faults?.[0] ?? null, result: runHome(drawn, cpuUs) };
}

/** Counts by kind, in the order of the contract. */
export function addUp(results: readonly JobResult[]): { tallies: Tally[]; cost: Cost } {
  const tallies = new Map<IncidentKind, Tally>();
  for (const kind of KINDS) {
    const none = { runs: 0, told: 0, notShown: 0, wrong: 0, falseInFaultless: 0 };
    tallies.set(kind, { kind, ...none, delaysMs: [] });
  }
  const of = (kind: IncidentKind): Tally => {
    const tally = tallies.get(kind);
    if (tally === undefined) throw new Error(`no incident kind ${kind}`);
    return tally;
  };
  const cost: Cost = { readings: 0, detectUs: 0, totalUs: 0, stateBytes: 0, faultlessMs: 0 };
  for (const { job, truths, wrong, cost: its } of results) {
    for (const outcome of truths) countTruth(of(outcome.truth.kind), outcome);
    for (const { kind } of wrong) {
      if (job.is === 'faultless') of(kind).falseInFaultless += 1;
      else of(kind).wrong += 1;
    }
    cost.readings += its.readings;
    cost.detectUs += its.detectUs;
    cost.totalUs += its.totalUs;
    cost.stateBytes = Math.max(cost.stateBytes, its.stateBytes);
    cost.faultlessMs += its.faultlessMs;
  }
  return { tallies: [...tallies.values()], cost };
}

function countTruth(tally: Tally, outcome: TruthOutcome): void {
  switch (outcome.is) {
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
