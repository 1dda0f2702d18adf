// What the batteries say of their own power: recent readings, and steps from one level to another. A step may
// be spread over several readings (a ramp) and over several batteries (both start when a tariff period does);
// it is over when every battery that moved has shown its new level twice.

import type { BatteryReading } from '@afterwatt/wire';
import { z } from 'zod';

/** Readings kept of each battery. */
const RECENT = 6;
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

const batterySchema = z.object({
  /** Newest last. */
  atMs: z.array(z.number()).max(RECENT),
  acW: z.array(z.number()).max(RECENT),
  /** The last reading at the level from which a step would begin. */
  anchorMs: z.number(),
  anchorW: z.number(),
  /** The first reading at that level. */
  levelMs: z.number(),
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
    atMs: [],
    acW: [],
    anchorMs: 0,
    anchorW: 0,
    levelMs: 0,
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
  const lastMs = track.atMs.at(-1) ?? 0;
  if (at <= lastMs) return;
  // What an islanded battery feeds goes to the circuit it backs up: neither inlet nor service answers to it.
  const islanded = gridPresent === false;
  const lost = islanded || at - lastMs > Math.max(GAP_MS, 4 * periodMs);
  if (lost) forget(track);
  if (!islanded) push(track, at, acW);
  if (lost) {
    track.anchorMs = at;
    track.anchorW = acW;
    track.levelMs = at;
    tracks.movingSinceMs = null;
    tracks.step = null;
    return;
  }
  if (isAt(track.anchorW, acW)) track.anchorMs = at;
  else tracks.movingSinceMs ??= track.anchorMs;
  if (tracks.movingSinceMs === null) return;
  const step = finishedStep(tracks);
  if (step !== undefined) tracks.step = isSwitching(tracks) ? step : null;
  if (step === undefined && at - tracks.movingSinceMs <= Math.max(LONGEST_STEP_MS, 4 * periodMs)) return;
  for (const battery of tracks.batteries) settle(battery);
  tracks.movingSinceMs = null;
}

/** A battery not heard for so many of its last gaps says nothing of now. */
const STALE_GAPS = 2;

/**
 * Lowest and highest power of one battery over its readings since `sinceMs` and the one before, W; undefined
 * where it was not heard so far back, or has fallen silent since.
 */
export function rangeSince(
  tracks: BatteryTracks,
  index: number,
  sinceMs: number,
): { lowW: number; highW: number } | undefined {
  const track = tracks.batteries[index];
  if (track === undefined) return undefined;
  const newestMs = track.atMs.at(-1) ?? 0;
  if (sinceMs - newestMs > STALE_GAPS * (newestMs - (track.atMs.at(-2) ?? 0))) return undefined;
  let lowW = Number.POSITIVE_INFINITY;
  let highW = Number.NEGATIVE_INFINITY;
  for (let i = track.atMs.length - 1; i >= 0; i--) {
    lowW = Math.min(lowW, track.acW[i] ?? lowW);
    highW = Math.max(highW, track.acW[i] ?? highW);
    if ((track.atMs[i] ?? 0) <= sinceMs) return { lowW, highW };
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
    const [beforeW, newestW] = [track.acW.at(-2), track.acW.at(-1)];
    if (beforeW === undefined || newestW === undefined || !isAt(newestW, beforeW)) return undefined;
    fromMs = Math.min(fromMs, track.anchorMs);
    toMs = Math.max(toMs, settledMs(track));
    heldSinceMs = Math.max(heldSinceMs, track.levelMs);
  }
  if (toMs === 0) return undefined;
  for (const track of tracks.batteries) if ((track.atMs.at(-1) ?? 0) < toMs) return undefined;
  const stepW = tracks.batteries.map((track) =>
    hasMoved(track) ? (track.acW.at(-1) ?? 0) - track.anchorW : 0,
  );
  return { fromMs, toMs, heldSinceMs, stepW };
}

/** Device time of the first of the newest readings that are all at one level. */
function settledMs({ atMs, acW }: BatteryTrack): number {
  const newestW = acW.at(-1) ?? 0;
  let settled = atMs.at(-1) ?? 0;
  for (let i = atMs.length - 2; i >= 0 && isAt(newestW, acW[i] ?? 0); i--) settled = atMs[i] ?? settled;
  return settled;
}

/**
 * Every battery that moved was switched: on, off, or to the other direction. One that changes between two
 * levels of the same direction may be following a load, whose own step would then answer to it.
 */
function isSwitching(tracks: BatteryTracks): boolean {
  return tracks.batteries.every((track) => {
    const newestW = track.acW.at(-1) ?? 0;
    const turned = newestW > 0 !== track.anchorW > 0;
    return !hasMoved(track) || turned || isIdle(newestW) || isIdle(track.anchorW);
  });
}

/** True for a power at which a battery is neither charging nor discharging, W. */
export function isIdle(acW: number): boolean {
  return acW >= IDLE_W.least && acW <= IDLE_W.most;
}

function hasMoved(track: BatteryTrack): boolean {
  const newestW = track.acW.at(-1);
  return newestW !== undefined && !isAt(track.anchorW, newestW);
}

function isAt(levelW: number, acW: number): boolean {
  return Math.abs(acW - levelW) <= Math.max(LEVEL_W, LEVEL_SHARE * Math.abs(levelW));
}

function settle(track: BatteryTrack): void {
  if (hasMoved(track)) track.levelMs = settledMs(track);
  track.anchorMs = track.atMs.at(-1) ?? track.anchorMs;
  track.anchorW = track.acW.at(-1) ?? track.anchorW;
}

function forget(track: BatteryTrack): void {
  track.atMs.length = 0;
  track.acW.length = 0;
}

function push(track: BatteryTrack, at: number, acW: number): void {
  if (track.atMs.length === RECENT) {
    track.atMs.shift();
    track.acW.shift();
  }
  track.atMs.push(at);
  track.acW.push(acW);
}
