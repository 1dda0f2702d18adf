// Judges readings twice at once, with the thresholds in force and with a draft, and tells the difference.

import { type Engine, type SiteEvent, startEngine, type Transition } from '@afterwatt/detect';
import type { Site } from '@afterwatt/wire';

/** An incident as a replay tells it; times are device time. */
export interface ReplayedIncident {
  readonly site: string;
  readonly kind: string;
  readonly subject: string;
  readonly onsetAt: string;
  readonly detectedAt: string;
  readonly clearedAt: string | null;
  readonly headline: string;
}

export interface ReplayResult {
  /** Found with the draft alone. */
  readonly comes: ReplayedIncident[];
  /** Found with today's thresholds alone. */
  readonly goes: ReplayedIncident[];
  /** Found with both, as the draft tells it. */
  readonly stays: ReplayedIncident[];
}

export interface ThresholdComparison {
  /** Events in the order of device time. */
  step(event: SiteEvent): void;
  result(): ReplayResult;
}

/** @param draft incident kind -> parameter -> value, in place of what the site has */
export function compareThresholds(site: Site, draft: Site['thresholds']): ThresholdComparison {
  const thresholds = { ...site.thresholds };
  for (const [kind, values] of Object.entries(draft)) thresholds[kind] = { ...thresholds[kind], ...values };
  const today = judge(site);
  const drafted = judge({ ...site, thresholds });
  return {
    step(event) {
      today.step(event);
      drafted.step(event);
    },
    result() {
      const before = [...today.found.values()];
      const after = [...drafted.found.values()];
      const isIn = (one: Judged, others: readonly Judged[]) => others.some((other) => isSame(one, other));
      return {
        comes: after.filter((one) => !isIn(one, before)).map(({ incident }) => incident),
        goes: before.filter((one) => !isIn(one, after)).map(({ incident }) => incident),
        stays: after.filter((one) => isIn(one, before)).map(({ incident }) => incident),
      };
    },
  };
}

interface Judged {
  readonly incident: ReplayedIncident;
  readonly fromMs: number;
  readonly toMs: number;
}

function judge(site: Site): { step(event: SiteEvent): void; found: ReadonlyMap<string, Judged> } {
  const engine: Engine = startEngine(site);
  const found = new Map<string, Judged>();
  const take = (transition: Transition) => {
    const { kind, subject, detectedMs } = transition;
    const name = `${kind} ${subject} ${detectedMs}`;
    if (transition.type === 'raised') {
      const { onsetMs, finding } = transition;
      const incident = {
        ...{ site: site.id, kind, subject, onsetAt: iso(onsetMs), detectedAt: iso(detectedMs) },
        ...{ clearedAt: null, headline: finding.words.headline },
      };
      found.set(name, { incident, fromMs: onsetMs, toMs: Number.POSITIVE_INFINITY });
    } else if (transition.type === 'cleared') {
      const known = found.get(name);
      if (known === undefined) return;
      const incident = { ...known.incident, clearedAt: iso(transition.atMs) };
      found.set(name, { incident, fromMs: known.fromMs, toMs: transition.atMs });
    }
  };
  return {
    found,
    step(event) {
      for (const transition of engine.step(event)) take(transition);
    },
  };
}

/** The same fault, told by both: of one kind and subject, at times that meet. */
function isSame(a: Judged, b: Judged): boolean {
  const [one, other] = [a.incident, b.incident];
  return one.kind === other.kind && one.subject === other.subject && a.fromMs <= b.toMs && b.fromMs <= a.toMs;
}

function iso(ms: number): string {
  return new Date(ms).toISOString();
}
