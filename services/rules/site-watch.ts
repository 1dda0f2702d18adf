// One site under watch: its readings put in order, its detectors, and what they found since last asked.

import {
  DEAF_MS,
  type Engine,
  LATE_CATALOG,
  type Release,
  type Sequence,
  type SiteEvent,
  type StormMessage,
  savedSequenceSchema,
  startEngine,
  startSequence,
  type Transition,
} from '@afterwatt/detect';
import { areaMeetsSite } from '@afterwatt/storm';
import type { Reading, Site } from '@afterwatt/wire';
import { z } from 'zod';

/** What one committed transaction brought for one site. */
export interface Arrival {
  readonly readings: Reading[];
  readonly others: SiteEvent[];
}

/** `apart`: found in readings that came after their time had been judged. */
export interface Found {
  readonly transition: Transition;
  readonly apart: boolean;
}

export interface SiteWatch {
  readonly siteNo: number;
  readonly site: Site;
  /** Everything up to this transaction is in its state. */
  tx: number;
  /** When this last wrote a checkpoint of it, wall clock; 0 when never. */
  savedAtMs: number;
  /** Before anything else of a transaction that carries a pulse. */
  wake(pulseMs: number): void;
  accept(arrival: Arrival): readonly Found[];
  pulse(pulseMs: number): readonly Found[];
  standing: Engine['standing'];
  adopt: Engine['adopt'];
  /** JSON for a checkpoint; undefined while more is held back than a checkpoint should carry. */
  save(): SavedWatch | undefined;
}

const savedSchema = z.object({ engine: z.unknown(), sequence: savedSequenceSchema });

export type SavedWatch = z.infer<typeof savedSchema>;

/** @returns undefined for a state of another shape: the site then starts afresh */
export function parseSaved(state: unknown): SavedWatch | undefined {
  const parsed = savedSchema.safeParse(state);
  return parsed.success ? parsed.data : undefined;
}

const NOTHING: readonly Found[] = [];

export interface WatchOptions {
  readonly siteNo: number;
  readonly site: Site;
  readonly tx: number;
  readonly saved: SavedWatch | undefined;
  /** All alerts known, oldest first; those that concern the site are picked. */
  readonly alerts: readonly StormMessage[];
  /** The site is registered otherwise than when the state was saved: other alerts may concern it now. */
  readonly isChanged?: boolean;
}

export function watchSite(options: WatchOptions): SiteWatch {
  const { siteNo, site, tx, saved, alerts, isChanged = false } = options;
  const engine = startEngine(site, saved?.engine);
  const sequence: Sequence = startSequence(site, saved?.sequence);
  const known = alertsOf(site, alerts);
  // A changed site is told those as well that no longer concern it.
  const untold = isChanged ? alerts : saved === undefined ? known : [];
  for (const alert of untold) engine.step(alert);
  // Every site hears every pulse, and nearly all of them change nothing: those are put off until something is due.
  /** The newest pulse and the one before it, put off or told. */
  let pulseMs = saved?.sequence.marks.pulseMs ?? 0;
  let beforeMs = pulseMs;
  /** How many of those two are yet to be told. */
  let putOff = 0;
  let restsUntilMs = 0;

  function hear(nextMs: number): void {
    beforeMs = pulseMs;
    pulseMs = Math.max(pulseMs, nextMs);
  }

  /** What was put off released nothing: only the sequence has to know of it. */
  function tellPutOff(): void {
    if (putOff === 2) sequence.pulse(beforeMs);
    if (putOff > 0) sequence.pulse(pulseMs);
    putOff = 0;
  }

  function judge(release: Release): readonly Found[] {
    const found = run(release);
    restsUntilMs = sequence.restsUntilMs(engine.nextTickMs());
    return found;
  }

  function run(release: Release): readonly Found[] {
    let found: Found[] | undefined;
    const take = (transitions: readonly Transition[], apart: boolean) => {
      if (transitions.length === 0) return;
      found ??= [];
      for (const transition of transitions) found.push({ transition, apart });
    };
    for (const event of release.events) take(engine.step(event), false);
    if (release.passTimeToMs !== undefined) take(engine.passTime(release.passTimeToMs), false);
    if (release.late.length > 0) take(judgeApart(site, release.late, known), true);
    return found ?? NOTHING;
  }

  return {
    siteNo,
    site,
    tx,
    savedAtMs: 0,
    wake(nextMs) {
      if (nextMs - pulseMs <= DEAF_MS) return;
      tellPutOff();
      const deaf = sequence.wake(nextMs);
      if (deaf !== undefined) engine.step(deaf);
    },
    accept({ readings, others }) {
      tellPutOff();
      const heard = others.filter((event) => event.kind !== 'storm' || concerns(event, site, known));
      for (const event of heard) if (event.kind === 'storm') known.push(event);
      return judge(sequence.accept(readings, heard));
    },
    pulse(nextMs) {
      if (nextMs < restsUntilMs) {
        hear(nextMs);
        putOff = Math.min(2, putOff + 1);
        return NOTHING;
      }
      tellPutOff();
      hear(nextMs);
      return judge(sequence.pulse(pulseMs));
    },
    standing: engine.standing,
    adopt: engine.adopt,
    save() {
      tellPutOff();
      const held = sequence.save();
      return held === undefined ? undefined : { engine: engine.save(), sequence: held };
    },
  };
}

/** Those of the alerts, oldest first, that concern a site. */
export function alertsOf(site: Site, alerts: readonly StormMessage[]): StormMessage[] {
  const known: StormMessage[] = [];
  for (const alert of alerts) if (concerns(alert, site, known)) known.push(alert);
  return known;
}

/** An alert whose area meets the site, or one that changes such an alert, wherever its own area lies. */
function concerns({ alert }: StormMessage, site: Site, known: readonly StormMessage[]): boolean {
  if (site.location === null) return false;
  const areas = alert.infos.flatMap((info) => info.areas);
  if (areaMeetsSite(areas, site.location)) return true;
  return alert.references.some((reference) =>
    known.some(
      ({ alert: earlier }) =>
        earlier.sender === reference.sender && earlier.identifier === reference.identifier,
    ),
  );
}

/** Runs latecomers through detectors of their own, and ends what still stands at their last reading. */
function judgeApart(site: Site, late: readonly Reading[], alerts: readonly StormMessage[]): Transition[] {
  const engine = startEngine(site, undefined, LATE_CATALOG);
  for (const alert of alerts) engine.step(alert);
  const transitions: Transition[] = [];
  for (const reading of late) transitions.push(...engine.step(reading));
  transitions.push(...engine.closeAll());
  return transitions;
}
