// Puts one site's readings into the order of their own time before the engine sees them. Devices send at
// different rates, in packs, late and after a lost connection; they come here in commit order. Decisions
// rest on that order and on the pulses in it (the ingest's clock), never on a clock of our own, so that a
// replay after a crash releases exactly the same readings in the same order.
//
//  prompt site      readings come within seconds of being taken: released as they come
//  packing device   each pack spans minutes: held back until every device has passed, or as long as packs span
//  backlog          days old: released as far as every device has come, the rest once no more comes
//  latecomer        older than what was judged already: judged apart, in a second engine whose incidents are
//                   marked late, and which is dropped when no more of them come

import type { Reading, Site } from '@afterwatt/wire';
import { z } from 'zod';
import type { SiteEvent } from './event.ts';

/** Up to this a device is prompt and nothing is held back for it (common practice: clocks differ by seconds). */
const PROMPT_MS = 20_000;
/** Beyond this a reading is backlog, not a slow pack. */
const BACKLOG_MS = 15 * 60_000;
/** A site without arrivals for so long (ingest's clock) has sent what it has. */
const SETTLED_MS = 10_000;
/** While a backlog comes in, device time is not moved up to the present before this much quiet. */
const BACKLOG_SETTLED_MS = 5 * 60_000;
/** The most readings held for one site (two weeks of a meter at 5 s); beyond it the older half is released. */
const HELD_MAX = 250_000;
/** The most latecomers gathered before they are judged. */
const LATE_MAX = HELD_MAX;
/** A checkpoint holds what is held, unless it is more than this (a quarter of an hour of a meter at 5 s and a battery). */
const SAVED_MAX = 300;
const NONE: readonly Reading[] = [];
const START = { pulseMs: 0, arrivedMs: 0, lateArrivedMs: 0, releasedMs: 0, inBacklog: false };

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
  /** Plain data for a checkpoint, or undefined while a backlog is held that is too much to save. */
  save(): SavedSequence | undefined;
}

const isReading = (value: unknown) => typeof value === 'object' && value !== null && 'kind' in value;

export const savedSequenceSchema = z.object({
  marks: z.object({
    pulseMs: z.number(),
    arrivedMs: z.number(),
    lateArrivedMs: z.number(),
    releasedMs: z.number(),
    inBacklog: z.boolean(),
  }),
  lastAt: z.record(z.string(), z.number()),
  spanMs: z.record(z.string(), z.number()),
  held: z.array(z.custom<Reading>(isReading)),
  late: z.array(z.custom<Reading>(isReading)),
});

export type SavedSequence = z.infer<typeof savedSequenceSchema>;

/** @param saved what `save` returned before a restart */
export function startSequence(site: Site, saved?: SavedSequence): Sequence {
  const devices = [site.meter.device, ...site.batteries.map((battery) => battery.device)];
  const lastAt = new Map(Object.entries(saved?.lastAt ?? {}));
  const spanMs = new Map(Object.entries(saved?.spanMs ?? {}));
  let held: Reading[] = [...(saved?.held ?? [])];
  let late: Reading[] = [...(saved?.late ?? [])];
  let { pulseMs, arrivedMs, lateArrivedMs, releasedMs, inBacklog } = saved?.marks ?? START;

  function accept(readings: readonly Reading[], others: readonly SiteEvent[]): Release {
    arrivedMs = pulseMs;
    let newestLiveMs = 0;
    for (const reading of readings) {
      const ageMs = pulseMs - reading.at;
      const newestOfDevice = reading.at > (lastAt.get(reading.device) ?? 0);
      if (newestOfDevice && ageMs <= BACKLOG_MS) noteSpan(reading.device, ageMs);
      if (reading.at < releasedMs - toleranceMs()) {
        late.push(reading);
        lateArrivedMs = pulseMs;
        continue;
      }
      held.push(reading);
      if (newestOfDevice) lastAt.set(reading.device, reading.at);
      if (ageMs > BACKLOG_MS) inBacklog = true;
      else if (reading.at > newestLiveMs) newestLiveMs = reading.at;
    }
    if (newestLiveMs > 0) inBacklog = false;
    const liveMs =
      newestLiveMs === 0 ? 0 : Math.max(newestLiveMs - holdBackMs(), leastAt(newestLiveMs - BACKLOG_MS));
    const upToMs = Math.max(leastAt(0), liveMs);
    const released = release(held.length > HELD_MAX ? Math.max(upToMs, medianAt(held)) : upToMs);
    return others.length === 0 ? released : { ...released, events: [...others, ...released.events] };
  }

  function pulse(nowMs: number): Release {
    pulseMs = Math.max(pulseMs, nowMs);
    const quietMs = pulseMs - arrivedMs;
    if (quietMs < SETTLED_MS) return release(inBacklog ? 0 : pulseMs - holdBackMs(), !inBacklog);
    if (inBacklog && quietMs < BACKLOG_SETTLED_MS) return release(Number.POSITIVE_INFINITY, false);
    inBacklog = false;
    return release(Number.POSITIVE_INFINITY, true);
  }

  /** How far behind the newest live reading the slowest pack reaches; nothing is held for prompt devices. */
  function holdBackMs(): number {
    let longest = 0;
    for (const span of spanMs.values()) longest = Math.max(longest, span);
    return longest <= PROMPT_MS ? 0 : longest;
  }

  function toleranceMs(): number {
    return Math.max(PROMPT_MS, holdBackMs());
  }

  /** Remembers the widest recent pack of a device; forgets it slowly, so that one late pack does not stay. */
  function noteSpan(device: string, ageMs: number): void {
    const known = spanMs.get(device) ?? 0;
    spanMs.set(device, Math.max(ageMs, known * 0.999));
  }

  /** Up to where every device has come, of those heard since `sinceMs` (0: of all). */
  function leastAt(sinceMs: number): number {
    let least = Number.POSITIVE_INFINITY;
    for (const device of devices) {
      const at = lastAt.get(device) ?? 0;
      if (at >= sinceMs) least = Math.min(least, at);
    }
    return least;
  }

  function release(upToMs: number, timePasses = true): Release {
    const events: Reading[] = [];
    const kept: Reading[] = [];
    for (const event of held) (event.at <= upToMs ? events : kept).push(event);
    held = kept;
    events.sort(byTime);
    const newest = events.at(-1);
    // A clock that runs ahead must not make latecomers of all the others.
    if (newest !== undefined) releasedMs = Math.max(releasedMs, Math.min(newest.at, pulseMs));
    // A site that was never heard has no time of its own yet: its first readings may be a backlog.
    const settled = timePasses && kept.length === 0 && releasedMs > 0;
    if (settled && pulseMs - holdBackMs() > releasedMs && upToMs >= pulseMs - holdBackMs()) {
      releasedMs = pulseMs - holdBackMs();
    }
    return { events, late: takeLate(), passTimeToMs: settled ? releasedMs : undefined };
  }

  function takeLate(): readonly Reading[] {
    if (late.length === 0) return NONE;
    if (late.length < LATE_MAX && pulseMs - lateArrivedMs < SETTLED_MS) return NONE;
    const taken = late.sort(byTime);
    late = [];
    return taken;
  }

  function save(): SavedSequence | undefined {
    if (held.length + late.length > SAVED_MAX) return undefined;
    const marks = { pulseMs, arrivedMs, lateArrivedMs, releasedMs, inBacklog };
    return { marks, lastAt: Object.fromEntries(lastAt), spanMs: Object.fromEntries(spanMs), held, late };
  }

  return { accept, pulse, save };
}

function byTime(a: Reading, b: Reading): number {
  return a.at - b.at;
}

function medianAt(events: readonly Reading[]): number {
  const times = events.map((event) => event.at).sort((a, b) => a - b);
  return times[Math.floor(times.length / 2)] ?? 0;
}
