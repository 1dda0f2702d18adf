// One home, from its first reading to what was raised about it: simulated, delivered, put in order and judged by
// the same functions that the rules use live.

import { LATE_CATALOG, type Sequence, startEngine, startSequence, type Transition } from '@afterwatt/detect';
import type { Reading, Site } from '@afterwatt/wire';
import { simulateHome } from '../home.ts';
import { randomStream } from '../random.ts';
import type { Span, Truth } from '../scenario.ts';
import { startDelivery, stormMessages } from './deliver.ts';
import { type Run, WATCHED_ON_MS } from './draw.ts';
import { isExplainedAway, tells, tooLateMs } from './judge.ts';
import { type Cleared, endingOf, type ToFollow } from './mended.ts';
import { STEP_W } from './plans.ts';

const DAY_MS = 86_400_000;
/** Commits between two looks at the clock, so that looking costs nothing. */
const BATCH = 1000;

export interface Raised {
  readonly kind: Transition['kind'];
  readonly subject: string;
  readonly onsetMs: number;
  readonly detectedMs: number;
  /** True time of the commit that decided it: unlike `detectedMs` not by a device's clock. */
  readonly heardMs: number;
  readonly confidence: number;
  /** Found among readings that came too late to be judged with the others. */
  readonly apart: boolean;
}

export interface RunResult {
  readonly site: Site;
  readonly truths: readonly Truth[];
  readonly raised: readonly Raised[];
  readonly cleared: readonly Cleared[];
  readonly outages: readonly Span[];
  readonly fromMs: number;
  /** How far it was run, true time. */
  readonly toMs: number;
  /** First step of a battery's power after the fault was made; null when there was none, or no fault. */
  readonly firstStepMs: number | null;
  readonly readings: number;
  readonly detectUs: number;
  readonly totalUs: number;
  /** The largest state of the detectors, as JSON. */
  readonly stateBytes: number;
}

interface ToWatch {
  readonly truths: readonly Truth[];
  readonly site: Site;
}

interface Judgable {
  readonly heardMs: number;
  readonly release: ReturnType<Sequence['pulse']>;
}

/** @param cpuUs processor time of this process, microseconds; its differences are the cost */
export function runHome({ name, scenario, until }: Run, cpuUs: () => number): RunResult {
  const startedUs = cpuUs();
  const { site, fromMs, toMs } = scenario;
  const home = simulateHome(scenario);
  const storms = stormMessages(home.alerts, site);
  const engine = startEngine(site);
  const sequence = startSequence(site);
  const raised: Raised[] = [];
  const cleared: Cleared[] = [];
  const watched = { truths: home.truths, site };
  let pending: Judgable[] = [];
  let readings = 0;
  let detectUs = 0;
  let stateBytes = 0;
  let stateDueMs = fromMs + DAY_MS;
  let atMs = fromMs;
  const steps = firstStepAfter(until.is === 'told' ? until.onsetMs : Number.POSITIVE_INFINITY);

  const random = randomStream(name, 'commits');
  const nextCommit = startDelivery({ home, storms, random, fromMs, toMs });
  for (let commit = nextCommit(); commit !== undefined; commit = nextCommit()) {
    atMs = commit.atMs;
    readings += commit.readings.length;
    for (const reading of commit.readings) steps.note(reading);
    if (commit.readings.length > 0 || commit.others.length > 0) {
      pending.push({ heardMs: atMs, release: sequence.accept(commit.readings, commit.others) });
    }
    if (commit.isPulse) pending.push({ heardMs: atMs, release: sequence.pulse(atMs) });
    if (pending.length < BATCH) continue;
    judgePending();
    if (isOver()) break;
  }
  judgePending();
  measureState();

  function isOver(): boolean {
    switch (until.is) {
      case 'the end':
        return false;
      case 'told':
        return atMs >= until.onsetMs && isTold(watched, raised, steps.at(), atMs);
      case 'cleared': {
        const follow = { truths: home.truths, raised, cleared };
        return atMs >= until.endMs && isCleared(follow, until.endMs, atMs);
      }
    }
  }

  function judgePending(): void {
    const beforeUs = cpuUs();
    for (const { heardMs, release } of pending) {
      for (const event of release.events) take(engine.step(event), heardMs, false);
      if (release.passTimeToMs !== undefined) take(engine.passTime(release.passTimeToMs), heardMs, false);
      if (release.late.length > 0) judgeApart(release.late, heardMs);
    }
    detectUs += cpuUs() - beforeUs;
    pending = [];
    if (atMs >= stateDueMs) measureState();
  }

  function judgeApart(late: readonly Reading[], heardMs: number): void {
    const apart = startEngine(site, undefined, LATE_CATALOG);
    for (const storm of storms) if (storm.at <= heardMs) apart.step(storm);
    for (const reading of late) take(apart.step(reading), heardMs, true);
  }

  function take(transitions: readonly Transition[], heardMs: number, apart: boolean): void {
    for (const one of transitions) {
      if (one.type === 'cleared' && !apart) {
        cleared.push({ kind: one.kind, subject: one.subject, heardMs, why: one.why });
      }
      if (one.type !== 'raised') continue;
      const { kind, subject, onsetMs, detectedMs, finding } = one;
      raised.push({ kind, subject, onsetMs, detectedMs, heardMs, confidence: finding.confidence, apart });
    }
  }

  function measureState(): void {
    stateBytes = Math.max(stateBytes, JSON.stringify(engine.save()).length);
    stateDueMs += DAY_MS;
  }

  return {
    site,
    truths: home.truths,
    raised,
    cleared,
    outages: home.outages,
    fromMs,
    toMs: atMs,
    firstStepMs: steps.at(),
    readings,
    detectUs,
    totalUs: cpuUs() - startedUs,
    stateBytes,
  };
}

/** Everything is told and was watched on, or the time for it is over. */
function isTold(
  { truths, site }: ToWatch,
  raised: readonly Raised[],
  firstStepMs: number | null,
  atMs: number,
) {
  return truths.every((truth) => {
    if (isExplainedAway(truth, truths, site)) return true;
    const told = tells(truth, raised);
    return atMs > (told === undefined ? tooLateMs(truth, firstStepMs) : told.heardMs + WATCHED_ON_MS);
  });
}

/** Everything that stood when the fault was mended is cleared and was watched on. */
function isCleared(run: ToFollow, endMs: number, atMs: number): boolean {
  return run.truths.every((truth) => {
    const ending = endingOf(truth, run, endMs);
    if (ending === undefined) return true;
    return ending.clearedMs !== null && atMs > Math.max(endMs, ending.clearedMs) + WATCHED_ON_MS;
  });
}

function firstStepAfter(fromMs: number) {
  const lastW = new Map<string, number>();
  let foundMs: number | null = null;
  return {
    note(reading: Reading): void {
      if (
        foundMs !== null ||
        fromMs === Number.POSITIVE_INFINITY ||
        reading.kind !== 'battery' ||
        reading.acW === null
      )
        return;
      const before = lastW.get(reading.device);
      lastW.set(reading.device, reading.acW);
      if (before === undefined || reading.at < fromMs) return;
      if (Math.abs(reading.acW - before) >= STEP_W) foundMs = reading.at;
    },
    at: () => foundMs,
  };
}
