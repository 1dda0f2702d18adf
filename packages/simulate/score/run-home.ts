// One home, from its first reading to what was raised about it: simulated, delivered, put in order and judged by
// the same functions that the rules use live.

import { LATE_CATALOG, type Sequence, startEngine, startSequence, type Transition } from '@afterwatt/detect';
import type { Reading } from '@afterwatt/wire';
import { simulateHome } from '../home.ts';
import { randomStream } from '../random.ts';
import type { Span, Truth } from '../scenario.ts';
import { commits, stormMessages } from './deliver.ts';
import type { Limits, Run } from './draw.ts';
import { tellableMs, tells } from './judge.ts';
import { STEP_W } from './plans.ts';

const DAY_MS = 86_400_000;
/** Commits between two looks at the clock, so that looking costs nothing. */
const BATCH = 2000;

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
  readonly truths: readonly Truth[];
  readonly raised: readonly Raised[];
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

interface Judgable {
  readonly heardMs: number;
  readonly release: ReturnType<Sequence['pulse']>;
}

/** @param cpuUs processor time of this process, microseconds; its differences are the cost */
export function runHome({ name, scenario, limits }: Run, cpuUs: () => number): RunResult {
  const startedUs = cpuUs();
  const { site, fromMs, toMs } = scenario;
  const home = simulateHome(scenario);
  const storms = stormMessages(home.alerts, site);
  const engine = startEngine(site);
  const sequence = startSequence(site);
  const raised: Raised[] = [];
  let pending: Judgable[] = [];
  let readings = 0;
  let detectUs = 0;
  let stateBytes = 0;
  let stateDueMs = fromMs + DAY_MS;
  let atMs = fromMs;
  const steps = firstStepAfter(limits?.onsetMs ?? Number.POSITIVE_INFINITY);

  const random = randomStream(name, 'commits');
  for (const commit of commits({ packets: home, storms, random, fromMs, toMs })) {
    atMs = commit.atMs;
    readings += commit.readings.length;
    for (const reading of commit.readings) steps.note(reading);
    if (commit.readings.length > 0 || commit.others.length > 0) {
      pending.push({ heardMs: atMs, release: sequence.accept(commit.readings, commit.others) });
    }
    if (commit.isPulse) pending.push({ heardMs: atMs, release: sequence.pulse(atMs) });
    if (pending.length < BATCH) continue;
    judgePending();
    if (limits !== null && isOver(limits, home.truths, raised, steps.at(), atMs)) break;
  }
  judgePending();
  measureState();

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
    truths: home.truths,
    raised,
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
function isOver(
  limits: Limits,
  truths: readonly Truth[],
  raised: readonly Raised[],
  firstStepMs: number | null,
  atMs: number,
): boolean {
  if (atMs < limits.onsetMs) return false;
  return truths.every((truth) => {
    const told = tells(truth, raised);
    if (told !== undefined) return atMs > told.heardMs + limits.watchedOnMs;
    const shownMs = tellableMs(truth, firstStepMs);
    return atMs > (shownMs === null ? limits.onsetMs + limits.showsWithinMs : shownMs + limits.toldWithinMs);
  });
}

function firstStepAfter(fromMs: number) {
  const lastW = new Map<string, number>();
  let foundMs: number | null = null;
  return {
    note(reading: Reading): void {
      if (foundMs !== null || reading.kind !== 'battery' || reading.acW === null) return;
      const before = lastW.get(reading.device);
      lastW.set(reading.device, reading.acW);
      if (before === undefined || reading.at < fromMs) return;
      if (Math.abs(reading.acW - before) >= STEP_W) foundMs = reading.at;
    },
    at: () => foundMs,
  };
}
