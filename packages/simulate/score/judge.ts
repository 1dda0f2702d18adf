// Compares what was raised about a home with the truth about it.

import type { IncidentKind, Site } from '@afterwatt/wire';
import { FAULTS } from '../faults/faults.ts';
import type { KindAndSubject, Span, Truth } from '../scenario.ts';
import { explains } from './explained.ts';
import { PLANS } from './plans.ts';

const HOUR_MS = 3_600_000;
/**
 * An outage runs down the reserve, and telling so is right: that it is low until the battery had time to recharge,
 * when it will be reached until the last readings of the outage are in.
 */
const AFTER_OUTAGE_MS: ReadonlyMap<IncidentKind, number> = new Map([
  ['reserve-low', HOUR_MS],
  ['reserve-forecast', HOUR_MS / 30],
]);

export interface RaisedIncident extends KindAndSubject {
  readonly detectedMs: number;
  /** True time at which it was decided. */
  readonly heardMs: number;
}

export interface ToJudge<R extends RaisedIncident> {
  readonly site: Site;
  readonly truths: readonly Truth[];
  readonly raised: readonly R[];
  readonly outages: readonly Span[];
  readonly firstStepMs: number | null;
  /** How far the home was run. */
  readonly toMs: number;
}

/**
 * What became of one truth: told after `delayMs`, missed, or not counted, because it did not show in time or is
 * explained by another one that must be told in its place.
 */
export type TruthOutcome =
  | { readonly is: 'told'; readonly truth: Truth; readonly delayMs: number }
  | { readonly is: 'missed'; readonly truth: Truth; readonly shownMs: number }
  | { readonly is: 'not shown'; readonly truth: Truth }
  | { readonly is: 'explained'; readonly truth: Truth };

export interface Judgement<R> {
  readonly truths: readonly TruthOutcome[];
  /** Raised and not so: before the fault, or another kind or subject than it brings about. */
  readonly wrong: readonly R[];
}

/**
 * Judges one run. An incident is right when its kind and subject are those of a truth and it was decided after
 * the fault was made. What a fault brings about besides is neither right nor wrong.
 */
export function judge<R extends RaisedIncident>(run: ToJudge<R>): Judgement<R> {
  return {
    truths: run.truths.map((truth) =>
      isExplainedAway(truth, run.truths, run.site) ? { is: 'explained', truth } : outcomeOf(truth, run),
    ),
    wrong: run.raised.filter((incident) => !isExplained(incident, run)),
  };
}

/**
 * From when on a truth can be told: since it shows and, for clamps on the service, since a battery's first step.
 * null until then.
 */
export function tellableMs(truth: Truth, firstStepMs: number | null): number | null {
  if (truth.shownMs === null || !PLANS[truth.kind].fromFirstStep) return truth.shownMs;
  return firstStepMs === null ? null : Math.max(truth.shownMs, firstStepMs);
}

/** Whether another of the home's faults is all that has to be told of this one. */
export function isExplainedAway(truth: Truth, truths: readonly Truth[], site: Site): boolean {
  return truths.some((cause) => cause.fault !== truth.fault && explains(cause, truth, site));
}

/** After this a truth that was not told is missed, or did not show in time. */
export function tooLateMs(truth: Truth, firstStepMs: number | null): number {
  const { showsWithinHours, toldWithinHours } = PLANS[truth.kind];
  const shownMs = tellableMs(truth, firstStepMs);
  return shownMs === null ? truth.onsetMs + showsWithinHours * HOUR_MS : shownMs + toldWithinHours * HOUR_MS;
}

/** The incident that tells a truth, if there is one. */
export function tells<R extends RaisedIncident>(truth: Truth, raised: readonly R[]): R | undefined {
  return raised.find((incident) => isSame(incident, truth) && incident.heardMs >= truth.onsetMs);
}

function outcomeOf(truth: Truth, run: ToJudge<RaisedIncident>): TruthOutcome {
  const shownMs = tellableMs(truth, run.firstStepMs);
  const told = tells(truth, run.raised);
  const withinMs = PLANS[truth.kind].toldWithinHours * HOUR_MS;
  // What is told before it shows by the simulator's measure is told at once.
  if (told !== undefined && (shownMs === null || told.heardMs <= shownMs + withinMs)) {
    return { is: 'told', truth, delayMs: Math.max(0, told.detectedMs - (shownMs ?? told.detectedMs)) };
  }
  if (shownMs === null || shownMs + withinMs > run.toMs) return { is: 'not shown', truth };
  return { is: 'missed', truth, shownMs };
}

function isExplained(incident: RaisedIncident, { truths, outages }: ToJudge<RaisedIncident>): boolean {
  const afterMs = AFTER_OUTAGE_MS.get(incident.kind);
  const inOutage = ({ fromMs, toMs }: Span) =>
    afterMs !== undefined && incident.heardMs >= fromMs && incident.heardMs < toMs + afterMs;
  if (outages.some(inOutage)) return true;
  return truths.some((truth) => {
    const madeMs = truth.onsetMs - (FAULTS[truth.fault].leadMs ?? 0);
    if (isSame(incident, truth)) return incident.heardMs >= truth.onsetMs;
    return incident.heardMs >= madeMs && truth.fair.some((fair) => isSame(incident, fair));
  });
}

function isSame(a: KindAndSubject, b: KindAndSubject): boolean {
  return a.kind === b.kind && a.subject === b.subject;
}
