// What the batteries say of their own power: recent readings, and steps from one level to another. A step may
// be spread over several readings (a ramp) and over several batteries (both start when a tariff period does);
// it is over when every battery that moved has shown its new level twice.
//
// A battery that makes up for what its leg's loads draw is switched by those loads: they step with it, and what the
// leg shows is the sum of both. It betrays itself by its levels, which rise from one to another while it is at work;
// one that is told a power keeps it, but for the taper at its end.

import type { BatteryReading } from '@afterwatt/wire';
import { z } from 'zod';

/** Spans kept of each battery, and the least length of one: readings that come faster share it. */
const RECENT = 7;
const SPAN_MS = 4500;
/** A battery within this of a level, or within LEVEL_SHARE of it, is still at that level (its own modulation). */
const LEVEL_W = 40;
const LEVEL_SHARE = 0.08;
/**
 * Between these a battery is idle: standby draw and rounding (common practice). One that feeds back a little
 * more may be keeping the service at zero, behind a small load.
 */
const IDLE_W = { least: -25, most: 60 };
/** A ramp that takes longer is not told from what the house does meanwhile. */
const LONGEST_STEP_MS = 150_000;
/** Without readings for longer than this, and four periods, what stood before is another matter. */
const GAP_MS = 5 * 60_000;
/** A charger that starts in stages has come to its power by then (common practice). */
const STAGES_MS = 3 * 60_000;
/** What a battery is set to follow it follows for days. */
const FOLLOWS_MS = 7 * 24 * 3_600_000;

const batterySchema = z.object({
  /** By span, newest last: how long after the one before it began, ms, and the least and the most it said, W. */
  sinceMs: z.array(z.number()).max(RECENT),
  leastW: z.array(z.number()).max(RECENT),
  mostW: z.array(z.number()).max(RECENT),
  /** Device time at which the newest span began. */
  spanMs: z.number(),
  /** The two newest readings: device time, and what they said, W. */
  lastMs: z.number(),
  lastW: z.number(),
  beforeMs: z.number(),
  beforeW: z.number(),
  /** The last reading at the level from which a step would begin. */
  anchorMs: z.number(),
  anchorW: z.number(),
  /** The first reading at that level. */
  levelMs: z.number(),
  /** The last reading in which it rested. */
  restMs: z.number(),
  /** When it was last seen to follow loads: while charging, while feeding. */
  followedMs: z.tuple([z.number(), z.number()]),
});
type BatteryTrack = z.infer<typeof batterySchema>;

const stepSchema = z.object({
  /** Device time of the last reading before the step and of the first after it. */
  fromMs: z.number(),
  toMs: z.number(),
  /** Since when the batteries that moved had been where they came from. */
  heldSinceMs: z.number(),
  /** Change of each battery's power, W, in the site's order. */
  stepW: z.array(z.number()),
  /** Some battery that moved follows its leg's loads. */
  follows: z.boolean(),
  /** Every battery that moved began or ended charging. */
  charges: z.boolean(),
});
export type BatteryStep = z.infer<typeof stepSchema>;

export const batteryTracksSchema = z.object({
  batteries: z.array(batterySchema),
  /** Since when some battery has left its level; null while none has. */
  movingSinceMs: z.number().nullable(),
  /** A step that waits for the meter to come past it. */
  step: stepSchema.nullable(),
});
export type BatteryTracks = z.infer<typeof batteryTracksSchema>;

export function startBatteryTracks(batteries: number): BatteryTracks {
  const tracks = Array.from({ length: batteries }, () => ({
    sinceMs: [],
    leastW: [],
    mostW: [],
    spanMs: 0,
    lastMs: 0,
    lastW: 0,
    beforeMs: 0,
    beforeW: 0,
    anchorMs: 0,
    anchorW: 0,
    levelMs: 0,
    restMs: 0,
    followedMs: [0, 0] satisfies [number, number],
  }));
  return { batteries: tracks, movingSinceMs: null, step: null };
}

/**
 * Takes one battery's reading, in place.
 * @param index the battery's place in the site's list
 * @param periodMs the longest usual time between readings of the site's batteries
 */
export function observeBattery(
  tracks: BatteryTracks,
  index: number,
  { at, acW, gridPresent }: BatteryReading,
  periodMs: number,
): void {
  const track = tracks.batteries[index];
  if (track === undefined || acW === null) return;
  if (at <= track.lastMs) return;
  // What an islanded battery feeds goes to the circuit it backs up: neither inlet nor service answers to it.
  const islanded = gridPresent === false;
  const lost = islanded || at - track.lastMs > Math.max(GAP_MS, 4 * periodMs);
  if (lost) forget(track);
  if (!islanded) push(track, at, acW);
  if (lost) {
    track.anchorMs = at;
    track.anchorW = acW;
    track.levelMs = at;
    // Where it came from was not seen: first heard while it comes to its power, it follows nothing.
    track.restMs = at;
    tracks.movingSinceMs = null;
    tracks.step = null;
    return;
  }
  if (isAt(track.anchorW, acW)) track.anchorMs = at;
  else tracks.movingSinceMs ??= track.anchorMs;
  if (tracks.movingSinceMs === null) return;
  const step = finishedStep(tracks);
  if (step !== undefined) for (const battery of tracks.batteries) noteFollowing(battery);
  if (step !== undefined) tracks.step = isSwitching(tracks) ? step : null;
  if (step === undefined && at - tracks.movingSinceMs <= Math.max(LONGEST_STEP_MS, 4 * periodMs)) return;
  for (const battery of tracks.batteries) settle(battery);
  tracks.movingSinceMs = null;
}

/** A battery not heard for so many of its last gaps says nothing of now. */
const STALE_GAPS = 2;

/**
 * Lowest and highest power of one battery over its readings since `fromMs` and the one before, W; undefined
 * where it was not heard so far back, or has fallen silent since.
 */
export function rangeSince(
  tracks: BatteryTracks,
  index: number,
  fromMs: number,
): { lowW: number; highW: number } | undefined {
  const track = tracks.batteries[index];
  if (track === undefined) return undefined;
  const { sinceMs, leastW, mostW, lastMs, beforeMs } = track;
  if (fromMs - lastMs > STALE_GAPS * Math.max(SPAN_MS, lastMs - beforeMs)) return undefined;
  let lowW = Number.POSITIVE_INFINITY;
  let highW = Number.NEGATIVE_INFINITY;
  let spanMs = track.spanMs;
  for (let i = sinceMs.length - 1; i >= 0; i--) {
    lowW = Math.min(lowW, leastW[i] ?? lowW);
    highW = Math.max(highW, mostW[i] ?? highW);
    if (spanMs <= fromMs) return { lowW, highW };
    spanMs -= sinceMs[i] ?? 0;
  }
  return undefined;
}

/** Up to when the batteries have been heard where they are since their last step. */
export function heldUntilMs(tracks: BatteryTracks): number {
  return tracks.batteries.reduce(
    (least, { anchorMs }) => Math.min(least, anchorMs),
    Number.POSITIVE_INFINITY,
  );
}

/** The step, once every battery that left its level has been twice at a new one, and the others where they were. */
function finishedStep(tracks: BatteryTracks): BatteryStep | undefined {
  let fromMs = Number.POSITIVE_INFINITY;
  let toMs = 0;
  let heldSinceMs = 0;
  for (const track of tracks.batteries) {
    if (!hasMoved(track)) continue;
    if (!isAt(track.lastW, track.beforeW)) return undefined;
    fromMs = Math.min(fromMs, track.anchorMs);
    toMs = Math.max(toMs, settledMs(track));
    heldSinceMs = Math.max(heldSinceMs, track.levelMs);
  }
  if (toMs === 0) return undefined;
  for (const track of tracks.batteries) if (track.lastMs < toMs) return undefined;
  const stepW = tracks.batteries.map((track) => (hasMoved(track) ? track.lastW - track.anchorW : 0));
  const follows = tracks.batteries.some(
    (track, i) => hasMoved(track) && followsLoads(tracks, i, track.anchorW, track.lastW),
  );
  const charges = tracks.batteries.every((track) => !hasMoved(track) || isCharge(track.anchorW, track.lastW));
  return { fromMs, toMs, heldSinceMs, stepW, follows, charges };
}

/** A battery that rises from one level at work to another. */
function noteFollowing(track: BatteryTrack): void {
  const { anchorW, lastW, lastMs, restMs } = track;
  if (!hasMoved(track) || isIdle(anchorW) || isIdle(lastW) || lastW > 0 !== anchorW > 0) return;
  if (Math.abs(lastW) < Math.abs(anchorW) || lastMs - restMs < STAGES_MS) return;
  track.followedMs[lastW > 0 ? 0 : 1] = lastMs;
}

/**
 * Does a battery that moves between these two levels, W, do so because of a load? Not one that begins or ends what it
 * was told: to charge, where it follows loads by feeding.
 */
export function followsLoads(tracks: BatteryTracks, index: number, fromW: number, toW: number): boolean {
  const track = tracks.batteries[index];
  if (track === undefined) return false;
  return [fromW, toW].every((watts) => {
    const ms = track.followedMs[watts > 0 ? 0 : 1];
    return isIdle(watts) || (ms > 0 && track.lastMs - ms <= FOLLOWS_MS);
  });
}

/** Device time from which on all readings are at one level with the newest. */
function settledMs({
  sinceMs,
  leastW,
  mostW,
  lastMs,
  lastW,
  beforeMs,
  spanMs: newestMs,
}: BatteryTrack): number {
  let settled = Math.min(lastMs, beforeMs);
  let spanMs = newestMs;
  for (let i = sinceMs.length - 1; i >= 0; i--) {
    if (!isAt(lastW, leastW[i] ?? lastW) || !isAt(lastW, mostW[i] ?? lastW)) break;
    settled = Math.min(settled, spanMs);
    spanMs -= sinceMs[i] ?? 0;
  }
  return settled;
}

/**
 * Every battery that moved was switched: on, off, or to the other direction. One that changes between two
 * levels of the same direction may be following a load, whose own step would then answer to it.
 */
function isSwitching(tracks: BatteryTracks): boolean {
  return tracks.batteries.every((track) => {
    const turned = track.lastW > 0 !== track.anchorW > 0;
    return !hasMoved(track) || turned || isIdle(track.lastW) || isIdle(track.anchorW);
  });
}

/** True for a power at which a battery is neither charging nor discharging, W. */
export function isIdle(acW: number): boolean {
  return acW >= IDLE_W.least && acW <= IDLE_W.most;
}

/** Does a battery that moves between these two levels, W, begin or end charging? */
export function isCharge(fromW: number, toW: number): boolean {
  return Math.max(fromW, toW) > IDLE_W.most;
}

function hasMoved(track: BatteryTrack): boolean {
  return track.sinceMs.length > 0 && !isAt(track.anchorW, track.lastW);
}

function isAt(levelW: number, acW: number): boolean {
  return Math.abs(acW - levelW) <= Math.max(LEVEL_W, LEVEL_SHARE * Math.abs(levelW));
}

function settle(track: BatteryTrack): void {
  if (hasMoved(track)) track.levelMs = settledMs(track);
  track.anchorMs = track.lastMs;
  track.anchorW = track.lastW;
}

function forget(track: BatteryTrack): void {
  track.sinceMs.length = 0;
  track.leastW.length = 0;
  track.mostW.length = 0;
  track.lastMs = 0;
}

function push(track: BatteryTrack, at: number, acW: number): void {
  const { sinceMs, leastW, mostW } = track;
  const newest = sinceMs.length - 1;
  track.beforeMs = newest < 0 ? at : track.lastMs;
  track.beforeW = newest < 0 ? acW : track.lastW;
  track.lastMs = at;
  track.lastW = acW;
  if (isIdle(acW)) track.restMs = at;
  if (newest >= 0 && at - track.spanMs < SPAN_MS) {
    leastW[newest] = Math.min(leastW[newest] ?? acW, acW);
    mostW[newest] = Math.max(mostW[newest] ?? acW, acW);
    return;
  }
  if (sinceMs.length === RECENT) for (const column of [sinceMs, leastW, mostW]) column.shift();
  sinceMs.push(newest < 0 ? 0 : at - track.spanMs);
  leastW.push(acW);
  mostW.push(acW);
  track.spanMs = at;
}
