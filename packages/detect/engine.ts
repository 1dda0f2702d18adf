// Runs the catalog over one site's events and says what became of its incidents. Deterministic: the same
// events in the same order give the same transitions, live, in a replay and in a test.

import {
  INCIDENT_KINDS,
  type IncidentKind,
  PRIORITIES,
  type Priority,
  type Reading,
  type Site,
} from '@afterwatt/wire';
import { z } from 'zod';
import { CATALOG } from './catalog.ts';
import { changesSince, checkpointOf, withChanges } from './checkpoint.ts';
import {
  ABSENT,
  type Detector,
  type EventKind,
  type Evidence,
  type Facts,
  type Present,
  type Verdict,
  type Watch,
  type Words,
} from './detector.ts';
import type { SiteEvent, Tick } from './event.ts';
import {
  type ClearedWhy,
  close,
  hear,
  isStanding,
  type Life,
  lifeSchema,
  passTime as passTimeOfLife,
  type Step,
  standingLife,
  standingPriority,
  startLife,
} from './incident-life.ts';
import { observeView, type SiteView, savedViewSchema, saveView, startView } from './site-view.ts';
import { SUPPRESSIONS } from './suppression.ts';

/** Event time passes in steps of this; once nothing has come for LONG_GAP_MS, in steps of LONG_GAP_TICK_MS. */
const TICK_MS = 30_000;
const LONG_GAP_MS = 15 * 60_000;
const LONG_GAP_TICK_MS = 5 * 60_000;

/** What an incident says when it is raised or brought up to date. */
export interface Finding {
  readonly priority: Priority;
  readonly confidence: number;
  readonly chattering: boolean;
  readonly facts: Facts;
  readonly evidence: Evidence;
  readonly words: Words;
}

interface OfIncident {
  readonly kind: IncidentKind;
  readonly subject: string;
  /** Device time of the reading or tick that decided the raise: with kind and subject it names the incident. */
  readonly detectedMs: number;
  /** Device time of this transition. */
  readonly atMs: number;
}

export type Transition =
  | (OfIncident & { readonly type: 'raised'; readonly onsetMs: number; readonly finding: Finding })
  | (OfIncident & { readonly type: 'updated'; readonly finding: Finding })
  | (OfIncident & { readonly type: 'cleared'; readonly why: ClearedWhy; readonly last: Finding | null });

/** One standing incident, as the engine knows it. */
export interface Standing {
  readonly kind: IncidentKind;
  readonly subject: string;
  readonly detectedMs: number;
}

export interface Engine {
  readonly view: SiteView;
  /** Takes one event, in the order in which `sequence.ts` releases them. */
  step(event: SiteEvent): readonly Transition[];
  /** Lets device time pass to `toMs` without a reading. */
  passTime(toMs: number): readonly Transition[];
  /** Device time up to which passing time does nothing. */
  nextTickMs(): number;
  /** Ends all that stands, for readings after which no more will come. */
  closeAll(): readonly Transition[];
  standing(): readonly Standing[];
  /**
   * Takes on an incident that stands elsewhere (in the database) but not here, because the state it was found
   * with is lost or of an older shape. It stands until its detector says that the fault is absent.
   * @returns false when the site has no such subject any more
   */
  adopt(standing: Standing & { readonly onsetMs: number }): boolean;
  save(): SavedEngine;
}

/** What stands was last found so; its evidence as it was when this was saved. */
const latestSchema = z.object({
  sinceMs: z.number(),
  confidence: z.number(),
  facts: z.record(z.string(), z.union([z.number(), z.string(), z.boolean()])),
  priority: z.enum(PRIORITIES).nullable(),
  evidence: z.object({
    fromMs: z.number(),
    toMs: z.number(),
    series: z.array(z.string()),
    figures: z.array(
      z.object({
        label: z.string(),
        value: z.union([z.number(), z.string()]),
        unit: z.string(),
        source: z.string(),
      }),
    ),
  }),
});
const livedSchema = z.object({ life: lifeSchema, latest: latestSchema.nullable() });
type Lived = z.infer<typeof livedSchema>;
const LIVED = checkpointOf('life', livedSchema);

const savedSchema = z.object({
  view: savedViewSchema,
  tickMs: z.number(),
  readMs: z.number(),
  /** Named once: the states below go by their places here. Of 'meter-1 l1.v' the place of 'meter-1', and the rest. */
  subjects: z.array(z.union([z.string(), z.tuple([z.number(), z.string()])])),
  /** By shape, which names the detector as well: by subject what of its state is not as at the start. */
  states: z.record(z.string(), z.array(z.tuple([z.number()]).rest(z.unknown()))),
  /** By LIVED's shape, of those that are not quiet, and of the chattering: kind, subject, and how it lives. */
  lives: z.record(z.string(), z.array(z.tuple([z.string(), z.string(), z.unknown()]))).catch({}),
});

type Latest = z.infer<typeof latestSchema>;
export type SavedEngine = z.infer<typeof savedSchema>;
type SavedSubject = SavedEngine['subjects'][number];
type SavedLives = NonNullable<SavedEngine['lives'][string]>;

interface Slot {
  readonly detector: Detector;
  causes: readonly Slot[];
  /** Those of its causes that close it when they are raised. */
  explainedBy: readonly Slot[];
  /** What its detector calls `started`; asked for when it is first needed. */
  started: unknown;
  watch: Watch;
  life: Life;
  /** What was last said of presence: what is said when the incident clears rests on it. */
  latest: Present | undefined;
}

const NOTHING: readonly Transition[] = [];

/**
 * Starts the detectors of one site.
 * @param saved what `save` returned (any JSON): parts whose shape is older start afresh
 */
export function startEngine(site: Site, saved?: unknown, catalog: readonly Detector[] = CATALOG): Engine {
  const parsed = savedSchema.safeParse(saved);
  const before = parsed.success ? parsed.data : undefined;
  const view = startView(site, before?.view);
  const slots = startSlots(view, catalog, before);
  const routes = routesOf(slots, site);
  let tickMs = before?.tickMs ?? 0;
  /** Device time of the newest reading. */
  let readMs = before?.readMs ?? 0;

  /** What became of the incidents since it was last asked for. */
  let untold: Transition[] = [];

  function step(event: SiteEvent): readonly Transition[] {
    switch (event.kind) {
      case 'meter':
      case 'battery':
        read(event);
        break;
      case 'mended':
        mend(event.incidentKind, event.subject);
        break;
      case 'tick':
        tick(event);
        break;
      default:
        deliver(event, routes.others[event.kind]);
    }
    return takeUntold();
  }

  function takeUntold(): readonly Transition[] {
    if (untold.length === 0) return NOTHING;
    const taken = untold;
    untold = [];
    return taken;
  }

  function read(reading: Reading): void {
    const route = routeOf(routes, reading);
    // A device that was taken off the site may go on sending.
    if (route === undefined) return;
    if (reading.at > tickMs) tickUpTo(reading.at);
    if (reading.at > readMs) readMs = reading.at;
    deliver(reading, route);
  }

  function tickUpTo(toMs: number): void {
    if (tickMs === 0) tickMs = toMs;
    for (let at = nextTick(tickMs, readMs); at <= toMs; at = nextTick(tickMs, readMs)) {
      tickMs = at;
      tick({ kind: 'tick', at });
    }
  }

  function tick(event: Tick): void {
    deliver(event, routes.others.tick);
    for (const slot of slots) {
      if (slot.life.phase === 'clearing') tell(slot, passTimeOfLife(slot.life, view.nowMs, slot.watch));
    }
  }

  function deliver(event: SiteEvent, route: Route): void {
    observeView(view, event);
    const isNews = view.wiring.service.isNews || view.wiring.inlets.isNews;
    for (const slot of isNews ? route.atNews : route.slots) {
      const verdict = slot.watch.observe(event);
      // Almost all that is ever said: nothing, or that what was not there is not there.
      if (verdict === undefined || (verdict === ABSENT && slot.life.phase === 'quiet')) continue;
      judge(slot, verdict);
    }
  }

  function judge(slot: Slot, verdict: Verdict): void {
    if (verdict.is === 'present') slot.latest = verdict;
    else if (verdict.is === 'absent' && slot.life.phase === 'quiet') return;
    if (verdict.is === 'present' && slot.causes.some((cause) => isStanding(cause.life))) return;
    tell(slot, hear(slot.life, verdict, view.nowMs, slot.watch));
  }

  function mend(kind: IncidentKind, subject: string): void {
    for (const slot of slots) {
      if (slot.detector.kind !== kind || slot.watch.subject !== subject) continue;
      tell(slot, close(slot.life, 'mended'));
      slot.watch = slot.detector.watch(view, subject, undefined);
      slot.latest = undefined;
    }
    observeView(view, { kind: 'mended', at: view.nowMs, incidentKind: kind, subject });
  }

  function tell(slot: Slot, became: Step | undefined): void {
    if (became === undefined) return;
    untold.push(transition(slot, became, view));
    if (became.type !== 'raised') return;
    for (const consequence of slots) {
      if (!consequence.explainedBy.includes(slot)) continue;
      const closed = close(consequence.life, 'explained by another incident');
      if (closed !== undefined) untold.push(transition(consequence, closed, view));
    }
  }

  return {
    view,
    step,
    passTime(toMs) {
      tickUpTo(toMs);
      return takeUntold();
    },
    nextTickMs: () => (tickMs === 0 ? 0 : nextTick(tickMs, readMs)),
    closeAll() {
      for (const slot of slots) tell(slot, close(slot.life, 'returned to normal'));
      return takeUntold();
    },
    adopt({ kind, subject, detectedMs, onsetMs }) {
      const slot = slots.find(({ detector, watch }) => detector.kind === kind && watch.subject === subject);
      if (slot === undefined) return false;
      if (isStanding(slot.life)) slot.life.detectedMs = detectedMs;
      else slot.life = standingLife(onsetMs, detectedMs);
      return true;
    },
    standing: () =>
      slots
        .filter((slot) => isStanding(slot.life))
        .map((slot) => ({
          kind: slot.detector.kind,
          subject: slot.watch.subject,
          detectedMs: slot.life.detectedMs,
        })),
    save: () => ({
      view: saveView(view),
      tickMs,
      readMs,
      ...saveStates(slots, view),
      lives: { [LIVED.shape]: saveLives(slots, view.nowMs) },
    }),
  };
}

/** Depends on what was read and not on how far time goes in one step, so that a replay has the same ticks. */
function nextTick(tickMs: number, readMs: number): number {
  const stride = tickMs - readMs >= LONG_GAP_MS ? LONG_GAP_TICK_MS : TICK_MS;
  return (Math.floor(tickMs / stride) + 1) * stride;
}

function startSlots(view: SiteView, catalog: readonly Detector[], before: SavedEngine | undefined): Slot[] {
  const { site } = view;
  const slots: Slot[] = [];
  for (const detector of catalog) {
    for (const subject of detector.subjects(site)) {
      const lived = savedLife(before, detector.kind, subject);
      slots.push({
        detector,
        causes: NO_SLOTS,
        explainedBy: NO_SLOTS,
        started: undefined,
        watch: detector.watch(view, subject, savedState(before, detector, subject, site)),
        life: lived?.life ?? startLife(),
        latest: restoreLatest(lived?.latest ?? null),
      });
    }
  }
  linkCauses(slots, site);
  return slots;
}

/** There are thousands of sites, and most slots have no cause: these share one list, and the others' have no spare room. */
const NO_SLOTS: readonly Slot[] = [];

function linkCauses(slots: readonly Slot[], site: Site): void {
  const ofKind = new Map<IncidentKind, Slot[]>();
  for (const slot of slots) {
    const { kind } = slot.detector;
    const same = ofKind.get(kind);
    if (same === undefined) ofKind.set(kind, [slot]);
    else same.push(slot);
  }
  for (const { cause, consequences, meets, standing } of SUPPRESSIONS) {
    for (const causing of ofKind.get(cause) ?? []) {
      for (const kind of consequences) {
        for (const slot of ofKind.get(kind) ?? []) {
          if (!meets(causing.watch.subject, slot.watch.subject, site)) continue;
          if (!slot.causes.includes(causing)) slot.causes = slot.causes.concat(causing);
          if (standing === 'closes') slot.explainedBy = slot.explainedBy.concat(causing);
        }
      }
    }
  }
}

/** Whom an event concerns: as a rule, and when it changed what is known of the wiring. */
interface Route {
  readonly slots: readonly Slot[];
  readonly atNews: readonly Slot[];
}

interface ReadingRoute extends Route {
  readonly kind: Reading['kind'];
  readonly device: string;
}

interface Routes {
  /** A site has so few devices that comparing their names takes less than looking them up. */
  readonly readings: readonly ReadingRoute[];
  readonly others: Readonly<Record<Exclude<EventKind, Reading['kind'] | 'mended'>, Route>>;
}

function routesOf(slots: readonly Slot[], site: Site): Routes {
  const to = (atNews: readonly Slot[]): Route => ({
    slots: atNews.filter(({ detector }) => !detector.onWiringNews),
    atNews,
  });
  const wanting = (kind: EventKind) => slots.filter(({ detector }) => detector.wants.includes(kind));
  const of = (kind: EventKind) => to(wanting(kind));
  const hears = ({ detector, watch }: Slot, device: string) =>
    detector.readingsOf(watch.subject, site)?.includes(device) ?? true;
  const route = (kind: Reading['kind'], device: string): ReadingRoute => ({
    kind,
    device,
    ...to(wanting(kind).filter((slot) => hears(slot, device))),
  });
  return {
    readings: [
      route('meter', site.meter.device),
      ...site.batteries.map(({ device }) => route('battery', device)),
    ],
    others: { tick: of('tick'), state: of('state'), lags: of('lags'), deaf: of('deaf'), storm: of('storm') },
  };
}

function routeOf({ readings }: Routes, { kind, device }: Reading): ReadingRoute | undefined {
  for (const route of readings) if (route.kind === kind && route.device === device) return route;
  return undefined;
}

function transition(slot: Slot, became: Step, view: SiteView): Transition {
  const { detector, life, latest, watch } = slot;
  const of = { kind: detector.kind, subject: watch.subject, detectedMs: life.detectedMs, atMs: view.nowMs };
  const chattering = became.type === 'raised' && became.chattering;
  const finding = latest === undefined ? null : findingOf(slot, latest, view, chattering);
  switch (became.type) {
    case 'raised':
    case 'updated':
      if (finding === null) throw new Error(`${detector.kind} was ${became.type} without a verdict`);
      return became.type === 'raised'
        ? { type: 'raised', ...of, onsetMs: became.onsetMs, finding }
        : { type: 'updated', ...of, finding };
    case 'cleared':
      return { type: 'cleared', ...of, why: became.why, last: finding };
  }
}

function findingOf(slot: Slot, verdict: Present, view: SiteView, chattering: boolean): Finding {
  const { detector, life, watch } = slot;
  const { facts, confidence } = verdict;
  return {
    priority: standingPriority(life, INCIDENT_KINDS[detector.kind].priority),
    confidence,
    chattering,
    facts,
    evidence: verdict.evidence(),
    words: detector.words({ site: view.site, subject: watch.subject, facts, confidence }),
  };
}

function savedState(
  before: SavedEngine | undefined,
  detector: Detector,
  subject: string,
  site: Site,
): unknown {
  const { shape, read } = detector.checkpoint;
  const saved = before?.states[shape]?.find(([place]) => subjectAt(before, place) === subject);
  if (before === undefined || saved === undefined) return undefined;
  const [, ...changes] = saved;
  return read(withChanges(detector.started(subject, site), changes), before.view.nowMs);
}

function saveStates(slots: readonly Slot[], view: SiteView): Pick<SavedEngine, 'subjects' | 'states'> {
  const { nowMs, site } = view;
  const subjects: string[] = [];
  const states: SavedEngine['states'] = {};
  for (const slot of slots) {
    const { detector, watch } = slot;
    const { subject, state } = watch;
    const { shape, write } = detector.checkpoint;
    slot.started ??= detector.started(subject, site);
    const changes = changesSince(slot.started, write(state, nowMs));
    if (changes === undefined) continue;
    if (!subjects.includes(subject)) subjects.push(subject);
    const ofKind = states[shape] ?? [];
    ofKind.push([subjects.indexOf(subject), ...changes]);
    states[shape] = ofKind;
  }
  return { subjects: subjects.map((subject) => shortSubject(subject, subjects)), states };
}

function shortSubject(subject: string, subjects: readonly string[]): SavedSubject {
  const space = subject.indexOf(' ');
  const place = subjects.indexOf(subject.slice(0, Math.max(0, space)));
  return place < 0 ? subject : [place, subject.slice(space + 1)];
}

function subjectAt({ subjects }: SavedEngine, place: number): string | undefined {
  const saved = subjects[place];
  return typeof saved === 'object' ? `${subjects[saved[0]]} ${saved[1]}` : saved;
}

function saveLives(slots: readonly Slot[], nowMs: number): SavedLives {
  return slots
    .filter(({ life }) => life.phase !== 'quiet' || life.raisesMs.length > 0)
    .map(({ detector, watch, life, latest }) => {
      const said = isStanding(life) && latest !== undefined ? saveLatest(latest) : null;
      return [detector.kind, watch.subject, LIVED.write({ life, latest: said }, nowMs)];
    });
}

function savedLife(before: SavedEngine | undefined, kind: IncidentKind, subject: string): Lived | undefined {
  const saved = before?.lives[LIVED.shape]?.find((lived) => lived[0] === kind && lived[1] === subject);
  if (before === undefined || saved === undefined) return undefined;
  return livedSchema.safeParse(LIVED.read(saved[2], before.view.nowMs)).data;
}

function saveLatest({ sinceMs, confidence, facts, priority, evidence }: Present): Latest {
  const { fromMs, toMs, series, figures } = evidence();
  return {
    sinceMs,
    confidence,
    facts: { ...facts },
    priority: priority ?? null,
    evidence: { fromMs, toMs, series: [...series], figures: [...figures] },
  };
}

function restoreLatest(saved: Latest | null): Present | undefined {
  if (saved === null) return undefined;
  const { priority, evidence, ...latest } = saved;
  return {
    is: 'present',
    ...latest,
    ...(priority === null ? {} : { priority }),
    evidence: () => evidence,
  };
}
