// Puts one site's readings into the order of their own time before the engine sees them. Devices send at
// different rates, in packs, late and after a lost connection; they come here in commit order. Decisions
// rest on that order and on the pulses in it (the ingest's clock), never on a clock of our own, so that a
// replay after a crash releases exactly the same readings in the same order.
//
//  prompt site      readings come within seconds of being taken: released as they come
//  packing device   each pack spans minutes: held back until every device has passed, or as long as packs span
//  backlog          days old: released as far as every device had come two pulses ago, because two batches of one
//                   ingest may be numbered in the other order than they came; the rest once no more comes
//  latecomer        older than what was judged already: judged apart, in a second engine whose incidents are
//                   marked late, and which is dropped when no more of them come
//  clock ahead      held until the time it tells has come: device time never passes the present

import type { Reading, Site } from '@afterwatt/wire';
import { z } from 'zod';
import type { Deaf, Lags, SiteEvent } from './event.ts';

/** Up to this a device is prompt and nothing is held back for it (common practice: clocks differ by seconds). */
const PROMPT_MS = 20_000;
/** Packs of a device that are remembered. */
const PACKS = 3;
/** Beyond this a reading is backlog, not a slow pack. */
const BACKLOG_MS = 15 * 60_000;
/** A site without arrivals for so long (ingest's clock) has sent what it has: slow links pause between two packs. */
const SETTLED_MS = 30_000;
/** While a backlog comes in, device time is not moved up to the present before this much quiet. */
const BACKLOG_SETTLED_MS = 5 * 60_000;
/** The most readings held for one site (two weeks of a meter at 5 s); beyond it the older half is released. */
const HELD_MAX = 250_000;
/** The most latecomers gathered before they are judged. */
const LATE_MAX = HELD_MAX;
/** Latecomers that never end (a clock far behind) are judged at least this often. */
const LATE_WAIT_MS = 3_600_000;
/** Pulses come every few seconds; a gap of more says that the ingest was away. */
export const DEAF_MS = 60_000;
/** How often the lags of the devices are told. */
const LAGS_MS = 5 * 60_000;
/** A checkpoint holds what is held, unless it is more than this (a quarter of an hour of a meter at 5 s and a battery). */
const SAVED_MAX = 300;
const NONE: readonly Reading[] = [];
/** A time that has not come, or an age that nothing had. */
const NEVER = Number.POSITIVE_INFINITY;
const NO_PACK = -1;
const START = {
  pulseMs: 0,
  arrivedMs: 0,
  lateSinceMs: 0,
  lateArrivedMs: 0,
  releasedMs: 0,
  lagsToldMs: 0,
  inBacklog: false,
  comeToMs: 0,
  cameToMs: 0,
};

/** How the readings of one device come in. */
interface Arrivals {
  /** Device time of its newest reading; 0 before any. */
  lastAt: number;
  /** How old the oldest reading of each of its last packs was at arrival. */
  readonly packAgesMs: number[];
  /** The least age of its readings at arrival, since it was last told. */
  lagMs: number;
  /** Its latecomers since that was last told. */
  lateCount: number;
  /** How old the oldest reading of the pack at hand is. */
  packMs: number;
}

/** What the engine is given: events in their order, then device time passes to `passTimeToMs`. */
export interface Release {
  readonly events: readonly SiteEvent[];
  /** Latecomers, gathered until no more came: for an engine of their own, started afresh and dropped after. */
  readonly late: readonly Reading[];
  /** Device time up to which no more is expected; undefined while that is not known. */
  readonly passTimeToMs: number | undefined;
}

export interface Sequence {
  /** Takes what one committed transaction brought for this site; `others` are not held. */
  accept(readings: readonly Reading[], others: readonly SiteEvent[]): Release;
  /** The ingest's clock has come to `pulseMs`. */
  pulse(pulseMs: number): Release;
  /**
   * The ingest's clock is about to come to `pulseMs`: asked before what the same transaction brought is accepted.
   * @returns what is to be told if the ingest was away since the last pulse
   */
  wake(pulseMs: number): Deaf | undefined;
  /**
   * A pulse before this would release nothing and pass no tick: it may be left out, as long as the last two of those
   * left out are told before anything else is asked of this.
   * @param nextTickMs device time of the engine's next tick
   */
  restsUntilMs(nextTickMs: number): number;
  /** Plain data for a checkpoint, or undefined while a backlog is held that is too much to save. */
  save(): SavedSequence | undefined;
}

const isReading = (value: unknown) => typeof value === 'object' && value !== null && 'kind' in value;

export const savedSequenceSchema = z.object({
  marks: z.object({
    pulseMs: z.number(),
    /** The first pulse after the newest arrival, 0 before it: while the ingest is held up, nothing is quiet. */
    arrivedMs: z.number(),
    lateSinceMs: z.number(),
    /** As `arrivedMs`, of latecomers. */
    lateArrivedMs: z.number(),
    releasedMs: z.number(),
    lagsToldMs: z.number(),
    inBacklog: z.boolean(),
    /** How far every device had come at the last pulse, and at the one before it. */
    comeToMs: z.number().default(0),
    cameToMs: z.number().default(0),
  }),
  lastAt: z.record(z.string(), z.number()),
  packAgesMs: z.record(z.string(), z.array(z.number())),
  lagMs: z.record(z.string(), z.number()),
  lateCount: z.record(z.string(), z.number()),
  held: z.array(z.custom<Reading>(isReading)),
  late: z.array(z.custom<Reading>(isReading)),
});

export type SavedSequence = z.infer<typeof savedSequenceSchema>;

/** @param saved what `save` returned before a restart */
export function startSequence(site: Site, saved?: SavedSequence): Sequence {
  /** Of every device that was heard, and of those that should be. */
  const arrivals = new Map<string, Arrivals>();
  const known: Arrivals[] = [];
  const sited = [site.meter, ...site.batteries].map(({ device }) => arrivalsOf(device));
  for (const device of Object.keys({ ...saved?.lastAt, ...saved?.lagMs })) arrivalsOf(device);
  let held: Reading[] = [...(saved?.held ?? [])];
  let late: Reading[] = [...(saved?.late ?? [])];
  // Times that move with every reading stand in objects: V8 keeps those of a closure in a new box each time.
  const marks = { ...(saved?.marks ?? START) };
  const hold = {
    /** The most that is held back, by the slowest device's packs; see `slowestPackMs`. */
    backMs: slowestPackMs(),
    oldestMs: held.reduce((least, { at }) => Math.min(least, at), NEVER),
  };

  function accept(readings: readonly Reading[], others: readonly SiteEvent[]): Release {
    // Without a clock nobody knows what is old: all of it waits for the first pulse.
    if (marks.pulseMs === 0) {
      held.push(...readings);
      return { events: others, late: NONE, passTimeToMs: undefined };
    }
    const newestLiveMs = gather(readings);
    const liveMs =
      newestLiveMs === 0 ? 0 : Math.max(newestLiveMs - hold.backMs, leastAt(newestLiveMs - BACKLOG_MS));
    const upToMs = marks.inBacklog ? marks.cameToMs : Math.max(leastAt(0), liveMs);
    const released = release(
      held.length > HELD_MAX ? Math.max(upToMs, median(held.map(({ at }) => at))) : upToMs,
    );
    return others.length === 0 ? released : { ...released, events: [...others, ...released.events] };
  }

  /**
   * Takes what came into what is held or late.
   * @returns device time of the newest that is live, 0 when none is
   */
  function gather(readings: readonly Reading[]): number {
    marks.arrivedMs = 0;
    let newestLiveMs = 0;
    for (const reading of readings) {
      const ageMs = marks.pulseMs - reading.at;
      const ofDevice = arrivalsOf(reading.device);
      const newestOfDevice = reading.at > ofDevice.lastAt;
      ofDevice.lagMs = Math.min(ageMs, ofDevice.lagMs);
      if (newestOfDevice && ageMs <= BACKLOG_MS) ofDevice.packMs = Math.max(0, ageMs, ofDevice.packMs);
      if (reading.at < marks.releasedMs - PROMPT_MS) {
        if (late.length === 0) marks.lateSinceMs = marks.pulseMs;
        late.push(reading);
        marks.lateArrivedMs = 0;
        ofDevice.lateCount += 1;
        continue;
      }
      // Most come alone: a list of one is small where one that grows is not.
      if (held.length === 0) held = [reading];
      else held.push(reading);
      hold.oldestMs = Math.min(hold.oldestMs, reading.at);
      if (newestOfDevice) ofDevice.lastAt = reading.at;
      if (ageMs > BACKLOG_MS) marks.inBacklog = true;
      else if (reading.at > newestLiveMs && !isAhead(reading.at)) newestLiveMs = reading.at;
    }
    for (const ofDevice of known) if (ofDevice.packMs !== NO_PACK) notePack(ofDevice);
    if (newestLiveMs > 0) marks.inBacklog = false;
    return newestLiveMs;
  }

  function pulse(nowMs: number): Release {
    const early = marks.pulseMs === 0 ? held.splice(0) : NONE;
    marks.pulseMs = Math.max(marks.pulseMs, nowMs);
    if (early.length > 0) gather(early);
    // Told only where something waits for quiet: the other pulses may be left out.
    if (held.length > 0 || marks.inBacklog) marks.arrivedMs ||= marks.pulseMs;
    if (late.length > 0) marks.lateArrivedMs ||= marks.pulseMs;
    marks.cameToMs = marks.comeToMs;
    marks.comeToMs = leastAt(0);
    const quietMs = marks.pulseMs - marks.arrivedMs;
    const told = tellLags();
    const released = releaseBy(quietMs);
    return told === undefined ? released : { ...released, events: [told, ...released.events] };
  }

  function releaseBy(quietMs: number): Release {
    // Between the packs of one device another's may have come: quiet for as long as they span is no end.
    if (quietMs < SETTLED_MS + hold.backMs) {
      return release(marks.inBacklog ? marks.cameToMs : marks.pulseMs - hold.backMs, !marks.inBacklog);
    }
    if (marks.inBacklog && quietMs < BACKLOG_SETTLED_MS) return release(NEVER, false);
    marks.inBacklog = false;
    return release(NEVER, true);
  }

  function tellLags(): Lags | undefined {
    if (marks.pulseMs - marks.lagsToldMs < LAGS_MS) return undefined;
    marks.lagsToldMs = marks.pulseMs;
    const leastMs = byDevice(({ lagMs }) => (lagMs === NEVER ? undefined : lagMs));
    if (Object.keys(leastMs).length === 0) return undefined;
    const late = byDevice(({ lateCount }) => (lateCount === 0 ? undefined : lateCount));
    for (const ofDevice of arrivals.values()) {
      ofDevice.lagMs = NEVER;
      ofDevice.lateCount = 0;
    }
    return { kind: 'lags', at: marks.pulseMs, leastMs, late };
  }

  function isAhead(at: number): boolean {
    return at > marks.pulseMs + PROMPT_MS;
  }

  /** How far behind the newest live reading the slowest pack reaches; nothing is held for prompt devices. */
  function slowestPackMs(): number {
    let longest = 0;
    for (const { packAgesMs } of arrivals.values()) longest = Math.max(longest, median(packAgesMs));
    return longest <= PROMPT_MS ? 0 : longest;
  }

  /** The last few packs tell a device that packs from one that lost its connection once. */
  function notePack(ofDevice: Arrivals): void {
    const { packMs, packAgesMs } = ofDevice;
    ofDevice.packMs = NO_PACK;
    if (packAgesMs.length === PACKS) packAgesMs.shift();
    packAgesMs.push(packMs);
    // One more prompt pack among prompt ones changes nothing: medians for every reading were a tenth of all work.
    if (hold.backMs > 0 || packMs > PROMPT_MS) hold.backMs = slowestPackMs();
  }

  function arrivalsOf(device: string): Arrivals {
    let ofDevice = arrivals.get(device);
    if (ofDevice === undefined) {
      ofDevice = {
        lastAt: saved?.lastAt[device] ?? 0,
        packAgesMs: [...(saved?.packAgesMs[device] ?? [])],
        lagMs: saved?.lagMs[device] ?? NEVER,
        lateCount: saved?.lateCount[device] ?? 0,
        packMs: NO_PACK,
      };
      arrivals.set(device, ofDevice);
      known.push(ofDevice);
    }
    return ofDevice;
  }

  /** One figure of each device that has it. */
  function byDevice<T>(figure: (ofDevice: Arrivals) => T | undefined): Record<string, T> {
    const figures: Record<string, T> = {};
    for (const [device, ofDevice] of arrivals) {
      const value = figure(ofDevice);
      if (value !== undefined) figures[device] = value;
    }
    return figures;
  }

  /** Up to where every device has come, of those heard since `sinceMs` (0: of all). */
  function leastAt(sinceMs: number): number {
    let least = NEVER;
    for (const { lastAt } of sited) if (lastAt >= sinceMs) least = Math.min(least, lastAt);
    return least;
  }

  function release(upToMs: number, timePasses = true): Release {
    const events = takeHeld(upToMs);
    const newest = events[events.length - 1];
    if (newest !== undefined)
      marks.releasedMs = Math.max(marks.releasedMs, Math.min(newest.at, marks.pulseMs));
    // A site that was never heard has no time of its own yet: its first readings may be a backlog.
    const settled = timePasses && marks.releasedMs > 0 && (held.length === 0 || isAhead(hold.oldestMs));
    if (settled && marks.pulseMs - hold.backMs > marks.releasedMs && upToMs >= marks.pulseMs - hold.backMs) {
      marks.releasedMs = marks.pulseMs - hold.backMs;
    }
    return { events, late: takeLate(), passTimeToMs: settled ? marks.releasedMs : undefined };
  }

  /** What is held up to a time, in order; a clock that runs ahead waits for the present. */
  function takeHeld(upToMs: number): readonly Reading[] {
    if (hold.oldestMs > upToMs || isAhead(hold.oldestMs)) return NONE;
    hold.oldestMs = NEVER;
    if (held.length === 1) {
      const only = held;
      held = [];
      return only;
    }
    const events: Reading[] = [];
    const kept: Reading[] = [];
    for (const reading of held) {
      if (reading.at <= upToMs && !isAhead(reading.at)) {
        events.push(reading);
        continue;
      }
      kept.push(reading);
      hold.oldestMs = Math.min(hold.oldestMs, reading.at);
    }
    held = kept;
    return events.sort(byTime);
  }

  function takeLate(): readonly Reading[] {
    if (late.length === 0) return NONE;
    const isQuiet = marks.lateArrivedMs > 0 && marks.pulseMs - marks.lateArrivedMs >= SETTLED_MS;
    const goesOn = !isQuiet && marks.pulseMs - marks.lateSinceMs < LATE_WAIT_MS;
    if (late.length < LATE_MAX && goesOn) return NONE;
    const taken = late.sort(byTime);
    late = [];
    return taken;
  }

  function save(): SavedSequence | undefined {
    if (held.length + late.length > SAVED_MAX) return undefined;
    return {
      marks: { ...marks },
      lastAt: byDevice(({ lastAt }) => (lastAt === 0 ? undefined : lastAt)),
      packAgesMs: byDevice(({ packAgesMs }) => (packAgesMs.length === 0 ? undefined : packAgesMs)),
      lagMs: byDevice(({ lagMs }) => (lagMs === NEVER ? undefined : lagMs)),
      lateCount: byDevice(({ lateCount }) => (lateCount === 0 ? undefined : lateCount)),
      held,
      late,
    };
  }

  function wake(nowMs: number): Deaf | undefined {
    if (marks.pulseMs === 0 || nowMs - marks.pulseMs <= DEAF_MS) return undefined;
    return { kind: 'deaf', at: nowMs, sinceMs: marks.pulseMs };
  }

  function restsUntilMs(nextTickMs: number): number {
    if (held.length > 0 || late.length > 0 || marks.inBacklog) return 0;
    const tickDueMs = marks.releasedMs > 0 ? nextTickMs + hold.backMs : NEVER;
    return Math.min(tickDueMs, marks.lagsToldMs + LAGS_MS);
  }

  return { accept, pulse, wake, restsUntilMs, save };
}

/** By device where the time is the same, so that the order does not rest on how readings were packed. */
function byTime(a: Reading, b: Reading): number {
  return a.at - b.at || (a.device < b.device ? -1 : a.device > b.device ? 1 : 0);
}

function median(values: readonly number[]): number {
  const sorted = values.toSorted((a, b) => a - b);
  return sorted[Math.floor(sorted.length / 2)] ?? 0;
}
