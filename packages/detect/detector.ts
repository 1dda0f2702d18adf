// What a detector is. One detector judges one subject (a leg, an inlet, a battery, a device) of one site
// and says, whenever it knows something new, whether its fault is present, absent or not to be told.
// When that becomes an incident is not its business: see incident-life.ts.

import type { IncidentKind, Priority, Site } from '@afterwatt/wire';
import type { z } from 'zod';
import { type Checkpoint, checkpointOf } from './checkpoint.ts';
import type { SiteEvent } from './event.ts';
import type { SiteView } from './site-view.ts';

/** A figure that an incident was decided on. `source` names the reading, the standard or "common practice". */
export interface Figure {
  readonly label: string;
  readonly value: number | string;
  /** Unit as it is written for people: 'A', 'W', '%', 's', 'ohm', or '' for words. */
  readonly unit: string;
  readonly source: string;
}

/** The stretch of readings and the figures a verdict rests on. */
export interface Evidence {
  readonly fromMs: number;
  readonly toMs: number;
  /** What to plot, as 'device quantity' in wire names: 'meter-1 l2.p'. */
  readonly series: readonly string[];
  readonly figures: readonly Figure[];
}

/** What the words are filled from; plain data so that an incident can be worded again later. */
export type Facts = Readonly<Record<string, number | string | boolean>>;

/** The fault is there. */
export interface Present {
  readonly is: 'present';
  /** When the fault began, device time. */
  readonly sinceMs: number;
  /** 0 to 1. A rule that compares a reading with a limit says 1; an inference says its posterior. */
  readonly confidence: number;
  readonly facts: Facts;
  /**
   * Built only when an incident is raised, updated, cleared or saved, never per reading. It holds what was known
   * at the verdict: it may be called long after, so it takes plain values and reads no state.
   */
  readonly evidence: () => Evidence;
  /** Raise without waiting for the on-delay: for what is dangerous or already proven. */
  readonly atOnce?: boolean;
  /** In place of the kind's default, where the fault at hand is worse or milder. */
  readonly priority?: Priority;
}

/**
 * `unknown` is for missing or contradictory data: it never raises and never clears an incident.
 * A detector that has nothing new to say returns undefined instead, which costs nothing.
 */
export type Verdict = Present | { readonly is: 'absent' } | { readonly is: 'unknown'; readonly why: string };

export const ABSENT: Verdict = { is: 'absent' };

/** One threshold: its default, its unit, the range it may be set to, and where it comes from. */
export interface Threshold {
  readonly default: number;
  readonly unit: string;
  readonly min: number;
  readonly max: number;
  /** A standard with its clause, a data sheet field, or "common practice". */
  readonly source: string;
}

export type Thresholds = Readonly<Record<string, Threshold>>;
/** Values in force for one site: the defaults, unless the company or the site set another. */
export type ThresholdValues<T extends Thresholds> = { readonly [K in keyof T]: number };

/** What people read. No sentence names a product; a step that opens a panel is for a licensed electrician. */
export interface Words {
  /** One sentence, names the subject and the cause. */
  readonly headline: string;
  readonly explanation: string;
  readonly steps: readonly string[];
  /** Shown wherever the steps are, when a step can hurt someone. */
  readonly caution: string | null;
  /** One plain sentence for the homeowner, or null for a kind the homeowner is not told. */
  readonly homeowner: string | null;
}

export interface WordsInput {
  readonly site: Site;
  readonly subject: string;
  readonly facts: Facts;
  readonly confidence: number;
}

/** Which events a detector is called for; the engine routes by this, so that the rest cost nothing. */
export type EventKind = SiteEvent['kind'];

export interface DetectorSpec<T extends Thresholds, S, A> {
  readonly kind: IncidentKind;
  readonly thresholds: T;
  readonly wants: readonly EventKind[];
  /** Called only at events that changed what is known of the wiring (models/wiring.ts), a few in a day. */
  readonly onWiringNews?: true;
  /** The devices whose readings have a bearing on a subject; others' are kept from it. Left out: all. */
  readonly readingsOf?: (subject: string, site: Site) => readonly string[];
  /** How long a fault must stay before it is raised, and stay away before it clears. */
  readonly delays: (values: ThresholdValues<T>, site: Site) => { onDelayMs: number; offDelayMs: number };
  readonly subjects: (site: Site) => readonly string[];
  /** What stands fast of a subject, such as its inlet: looked up once instead of for every reading. */
  readonly about?: (subject: string, site: Site) => A;
  /** State is plain JSON data and is parsed with this when it is loaded; an older shape starts afresh. */
  readonly state: z.ZodType<S>;
  readonly start: (subject: string, site: Site) => S;
  /** May change `state` in place; reads time only from the event and the view. */
  readonly observe: (event: SiteEvent, context: ObserveContext<T, S, A>) => Verdict | undefined;
  readonly words: (input: WordsInput) => Words;
}

/** What stands beside every event of one watch: the same object at every call. */
export interface ObserveContext<T extends Thresholds, S, A> {
  readonly subject: string;
  readonly about: A | undefined;
  readonly state: S;
  readonly view: SiteView;
  readonly values: ThresholdValues<T>;
}

/** A detector at work on one subject of one site. */
export interface Watch {
  readonly kind: IncidentKind;
  readonly subject: string;
  readonly onDelayMs: number;
  readonly offDelayMs: number;
  /** Plain data, changed in place. */
  readonly state: unknown;
  observe(event: SiteEvent): Verdict | undefined;
}

/** A detector as the catalog lists it: its types of state and thresholds are its own affair. */
export interface Detector {
  readonly kind: IncidentKind;
  readonly thresholds: Thresholds;
  readonly wants: readonly EventKind[];
  readonly onWiringNews: boolean;
  readonly checkpoint: Checkpoint;
  subjects(site: Site): readonly string[];
  /** @returns undefined where readings of all devices have a bearing */
  readingsOf(subject: string, site: Site): readonly string[] | undefined;
  /**
   * The state of a watch that has seen nothing yet, as a checkpoint has it: what is saved of a state is how it differs.
   * Thousands of sites share what this returns.
   */
  started(subject: string, site: Site): unknown;
  /** @param saved a watch's state of earlier, or undefined to start afresh */
  watch(view: SiteView, subject: string, saved: unknown): Watch;
  words(input: WordsInput): Words;
}

/** Closes a detector over its own types, so that the catalog is one plain list. */
export function defineDetector<T extends Thresholds, S, A>(spec: DetectorSpec<T, S, A>): Detector {
  const usual = thresholdValues(spec.thresholds, {});
  const checkpoint = checkpointOf(spec.kind, spec.state);
  // One for each number of inlets and circuits, which is all that a state at the start can differ by.
  const startedStates = new Map<string, unknown>();
  return {
    kind: spec.kind,
    thresholds: spec.thresholds,
    wants: spec.wants,
    onWiringNews: spec.onWiringNews ?? false,
    checkpoint,
    subjects: spec.subjects,
    readingsOf: (subject, site) => spec.readingsOf?.(subject, site),
    words: spec.words,
    started(subject, site) {
      // Of no time, because it knows none yet.
      const written = checkpoint.write(spec.start(subject, site), 0);
      const text = JSON.stringify(written);
      const known = startedStates.get(text) ?? written;
      startedStates.set(text, known);
      return known;
    },
    watch(view, subject, saved) {
      const { site } = view;
      const set = site.thresholds[spec.kind];
      const values = set === undefined ? usual : thresholdValues(spec.thresholds, set);
      const restored = saved === undefined ? undefined : spec.state.safeParse(saved);
      const state = restored?.success ? restored.data : spec.start(subject, site);
      return new WatchOf(spec, subject, state, view, values);
    },
  };
}

/** Of one shape for all detectors: a site has dozens of watches, and a dozen or two are called for every reading. */
class WatchOf<T extends Thresholds, S, A> implements Watch, ObserveContext<T, S, A> {
  readonly kind: IncidentKind;
  readonly subject: string;
  readonly onDelayMs: number;
  readonly offDelayMs: number;
  readonly about: A | undefined;
  readonly state: S;
  readonly view: SiteView;
  readonly values: ThresholdValues<T>;
  readonly #observe: DetectorSpec<T, S, A>['observe'];

  constructor(
    spec: DetectorSpec<T, S, A>,
    subject: string,
    state: S,
    view: SiteView,
    values: ThresholdValues<T>,
  ) {
    const { onDelayMs, offDelayMs } = spec.delays(values, view.site);
    this.kind = spec.kind;
    this.subject = subject;
    this.onDelayMs = onDelayMs;
    this.offDelayMs = offDelayMs;
    this.about = spec.about?.(subject, view.site);
    this.state = state;
    this.view = view;
    this.values = values;
    this.#observe = spec.observe;
  }

  observe(event: SiteEvent): Verdict | undefined {
    return this.#observe(event, this);
  }
}

function thresholdValues<T extends Thresholds>(
  thresholds: T,
  set: Readonly<Record<string, number>>,
): ThresholdValues<T> {
  const values: { [K in keyof T]?: number } = {};
  for (const name in thresholds) {
    const { default: normal, min, max } = thresholds[name] ?? { default: 0, min: 0, max: 0 };
    values[name] = Math.min(max, Math.max(min, set[name] ?? normal));
  }
  return values as ThresholdValues<T>;
}
