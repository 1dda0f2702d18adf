// What is run: homes with one fault, with two or with none, and homes whose fault is mended, from a seed and a
// number.

import { INCIDENT_KINDS, type IncidentKind, type Site } from '@afterwatt/wire';
import type { FaultName } from '../faults/fault-name.ts';
import { FAULTS } from '../faults/faults.ts';
import { type RandomStream, randomStream } from '../random.ts';
import type { FaultSpec, HomeScenario, SiteAlert, Span } from '../scenario.ts';
import { drawSite } from './draw-site.ts';
import { pickPair } from './pairs.ts';
import { PLANS } from './plans.ts';

const HOUR_MS = 3_600_000;
const DAY_MS = 24 * HOUR_MS;
const YEAR_FROM_MS = Date.UTC(2026, 0, 1);
/** Of the time to learn, what is further back than this is reported once a minute. */
const FULL_RATE_BEFORE_FAULT_MS = 12 * HOUR_MS;
/** Watched on, after a fault was told or an incident cleared, for what else is raised. */
export const WATCHED_ON_MS = 4 * HOUR_MS;
/** Of two faults the second comes within this. */
const SECOND_WITHIN_MS = 0.5 * HOUR_MS;
/** A told fault is mended within this. */
const MENDED_WITHIN_MS = 2 * HOUR_MS;
/** At one home, a year (rough, from memory: reliability figures of utilities lie between 1 and 3 interruptions). */
const OUTAGES_A_YEAR = 3;
const STORM_ALERTS_A_YEAR = 4;
const ATTEMPTS = 200;

/** One home to run. `name` with the seed says which one it is. */
export interface Run {
  readonly name: string;
  readonly scenario: HomeScenario;
  readonly until: Until;
}

/** When a run is over. */
export type Until =
  | { readonly is: 'the end' }
  /** All is told and was watched on, or can no longer be told. */
  | { readonly is: 'told'; readonly onsetMs: number }
  /** What was told is cleared and was watched on, or can no longer be. */
  | { readonly is: 'cleared'; readonly endMs: number };

/**
 * The `index`th home with a fault of this kind: the first is the mildest that must be found, the second the worst.
 * @throws RangeError when no site can be drawn at which the fault can happen
 */
export function drawFaultRun(seed: string, kind: IncidentKind, index: number): Run {
  const name = `${seed}/${kind}/${index}`;
  const random = randomStream(name, 'fault');
  const fault = random.pick([...PLANS[kind].faults]);
  for (let attempt = 0; attempt < ATTEMPTS; attempt += 1) {
    const site = drawSite(`${name}/${attempt}`);
    const subject = drawSubject(kind, fault, site, random);
    if (subject === undefined) continue;
    const fromMs = wholeSecond(YEAR_FROM_MS + random.uniform() * 364 * DAY_MS);
    const onsetMs = wholeSecond(fromMs + random.between(...PLANS[kind].leadHours) * HOUR_MS);
    const severity = index === 0 ? 0 : index === 1 ? 1 : random.uniform();
    const spec: FaultSpec = { name: fault, subject, onsetMs, endMs: null, severity };
    return faultRun(name, site, fromMs, [spec], [kind]);
  }
  throw new RangeError(`no site was drawn at which ${fault} can happen`);
}

/**
 * The `index`th home with two faults that come within half an hour.
 * @throws RangeError when no site can be drawn at which both can happen
 */
export function drawPairRun(seed: string, index: number): Run {
  const name = `${seed}/pair/${index}`;
  const random = randomStream(name, 'fault');
  for (let attempt = 0; attempt < ATTEMPTS; attempt += 1) {
    const site = drawSite(`${name}/${attempt}`);
    const kinds = pickPair(random);
    const leads = kinds.map((kind) => PLANS[kind].leadHours);
    const lead = [0, 1].map((end) => Math.max(...leads.map((hours) => hours[end] ?? 0)));
    const fromMs = wholeSecond(YEAR_FROM_MS + random.uniform() * 364 * DAY_MS);
    let onsetMs = wholeSecond(fromMs + random.between(lead[0] ?? 0, lead[1] ?? 0) * HOUR_MS);
    const specs: FaultSpec[] = [];
    for (const kind of kinds) {
      const fault = random.pick([...PLANS[kind].faults]);
      const subject = drawSubject(kind, fault, site, random);
      if (subject === undefined) break;
      specs.push({ name: fault, subject, onsetMs, endMs: null, severity: random.uniform() });
      onsetMs = wholeSecond(onsetMs + random.uniform() * SECOND_WITHIN_MS);
    }
    if (specs.length === kinds.length) return faultRun(name, site, fromMs, specs, kinds);
  }
  throw new RangeError('no site was drawn at which two faults can happen');
}

/** The same home, with its fault mended some time after it was told. */
export function mendedRun(run: Run, kind: IncidentKind, toldMs: number): Run {
  const random = randomStream(run.name, 'mended');
  const endMs = wholeSecond(toldMs + random.between(0.1, 1) * MENDED_WITHIN_MS);
  const faults = (run.scenario.faults ?? []).map((spec) => ({ ...spec, endMs }));
  const toMs = endMs + PLANS[kind].clearsWithinHours * HOUR_MS + WATCHED_ON_MS;
  return {
    name: run.name,
    scenario: { ...run.scenario, faults, toMs },
    until: { is: 'cleared', endMs },
  };
}

function drawSubject(
  kind: IncidentKind,
  fault: FaultName,
  site: Site,
  random: RandomStream,
): string | undefined {
  const [first, ...others] = FAULTS[fault].subjects(site);
  if (first === undefined || !PLANS[kind].canShow(site)) return undefined;
  return random.pick([first, ...others]);
}

function faultRun(
  name: string,
  site: Site,
  fromMs: number,
  faults: readonly FaultSpec[],
  kinds: readonly IncidentKind[],
): Run {
  const onsets = faults.map(({ onsetMs }) => onsetMs);
  const hours = kinds.map((kind) => PLANS[kind].showsWithinHours + PLANS[kind].toldWithinHours);
  return {
    name,
    until: { is: 'told', onsetMs: Math.max(...onsets) },
    scenario: {
      site,
      seed: name,
      fromMs,
      toMs: Math.max(...onsets) + Math.max(...hours) * HOUR_MS + WATCHED_ON_MS,
      faults,
      coarseUntilMs: Math.max(fromMs, Math.min(...onsets) - FULL_RATE_BEFORE_FAULT_MS),
    },
  };
}

/** The `index`th home without a fault, with the outages and storms that any home has. */
export function drawFaultlessRun(seed: string, index: number, days: number): Run {
  const name = `${seed}/faultless/${index}`;
  const random = randomStream(name, 'days');
  const site = drawSite(name);
  const fromMs = wholeSecond(YEAR_FROM_MS + random.uniform() * Math.max(0, 364 - days) * DAY_MS);
  const toMs = fromMs + days * DAY_MS;
  const outages = events(OUTAGES_A_YEAR, (atMs): Span => {
    return { fromMs: atMs, toMs: atMs + random.logNormal(1.5, 0.8) * HOUR_MS };
  });
  const alerts = events(STORM_ALERTS_A_YEAR, (atMs): SiteAlert => {
    const onsetMs = wholeSecond(atMs + random.between(10, 20) * HOUR_MS);
    return { sentMs: atMs, onsetMs, expiresMs: wholeSecond(onsetMs + random.between(4, 12) * HOUR_MS) };
  });

  /** At random instants, but not while the first day settles. */
  function events<T>(aYear: number, make: (atMs: number) => T): T[] {
    const made: T[] = [];
    const next = () => random.exponential((365 * DAY_MS) / aYear);
    for (let atMs = fromMs + DAY_MS + next(); atMs < toMs; atMs += 2 * DAY_MS + next()) {
      made.push(make(wholeSecond(atMs)));
    }
    return made;
  }

  return { name, until: { is: 'the end' }, scenario: { site, seed: name, fromMs, toMs, outages, alerts } };
}

/** Every kind, in the order of the contract. */
export const KINDS = Object.keys(INCIDENT_KINDS) as IncidentKind[];

function wholeSecond(atMs: number): number {
  return 1000 * Math.floor(atMs / 1000);
}
