// What is run: homes with one fault, and homes with none, from a seed and a number.

import { INCIDENT_KINDS, type IncidentKind } from '@afterwatt/wire';
import { FAULTS } from '../faults/faults.ts';
import { randomStream } from '../random.ts';
import type { HomeScenario, SiteAlert, Span } from '../scenario.ts';
import { drawSite } from './draw-site.ts';
import { PLANS } from './plans.ts';

const HOUR_MS = 3_600_000;
const DAY_MS = 24 * HOUR_MS;
const YEAR_FROM_MS = Date.UTC(2026, 0, 1);
/** Of the time to learn, what is further back than this is reported once a minute. */
const FULL_RATE_BEFORE_FAULT_MS = 12 * HOUR_MS;
/** Watched on, after a fault was told, for what else is raised. */
const WATCHED_ON_MS = 4 * HOUR_MS;
/** At one home, a year (rough, from memory: reliability figures of utilities lie between 1 and 3 interruptions). */
const OUTAGES_A_YEAR = 3;
const STORM_ALERTS_A_YEAR = 4;
const ATTEMPTS = 200;

/** One home to run. `name` with the seed says which one it is. */
export interface Run {
  readonly name: string;
  readonly scenario: HomeScenario;
  /** null = faultless: run to the end of the scenario. */
  readonly limits: Limits | null;
}

export interface Limits {
  readonly onsetMs: number;
  readonly showsWithinMs: number;
  readonly toldWithinMs: number;
  readonly watchedOnMs: number;
}

/**
 * The `index`th home with a fault of this kind: the first is the mildest that must be found, the second the worst.
 * @throws RangeError when no site can be drawn at which the fault can happen
 */
export function drawFaultRun(seed: string, kind: IncidentKind, index: number): Run {
  const plan = PLANS[kind];
  const name = `${seed}/${kind}/${index}`;
  const random = randomStream(name, 'fault');
  const fault = random.pick([...plan.faults]);
  for (let attempt = 0; attempt < ATTEMPTS; attempt += 1) {
    const site = drawSite(`${name}/${attempt}`);
    const [first, ...others] = FAULTS[fault].subjects(site);
    if (first === undefined || !plan.canShow(site)) continue;
    const subject = random.pick([first, ...others]);
    const fromMs = wholeSecond(YEAR_FROM_MS + random.uniform() * 364 * DAY_MS);
    const onsetMs = wholeSecond(fromMs + random.between(...plan.leadHours) * HOUR_MS);
    const severity = index === 0 ? 0 : index === 1 ? 1 : random.uniform();
    const limits = {
      onsetMs,
      showsWithinMs: plan.showsWithinHours * HOUR_MS,
      toldWithinMs: plan.toldWithinHours * HOUR_MS,
      watchedOnMs: WATCHED_ON_MS,
    };
    return {
      name,
      limits,
      scenario: {
        site,
        seed: name,
        fromMs,
        toMs: onsetMs + limits.showsWithinMs + limits.toldWithinMs + WATCHED_ON_MS,
        faults: [{ name: fault, subject, onsetMs, endMs: null, severity }],
        coarseUntilMs: Math.max(fromMs, onsetMs - FULL_RATE_BEFORE_FAULT_MS),
      },
    };
  }
  throw new RangeError(`no site was drawn at which ${fault} can happen`);
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

  return { name, limits: null, scenario: { site, seed: name, fromMs, toMs, outages, alerts } };
}

/** Every kind, in the order of the contract. */
export const KINDS = Object.keys(INCIDENT_KINDS) as IncidentKind[];

function wholeSecond(atMs: number): number {
  return 1000 * Math.floor(atMs / 1000);
}
