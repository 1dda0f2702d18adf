// From verdicts to incidents, for one (kind, subject). Words after ISA-18.2 / IEC 62682.
//
//            present                on-delay over, or at once
//   quiet ------------> pending ------------------------------> active
//     ^    <-----------          <---------------------------     |  ^
//     |       absent               present within off-delay      |  | present
//     |                                                    absent v  |
//     +------------------------------------------------------- clearing
//                          off-delay over
//
// An unknown verdict changes nothing: missing data neither raises nor clears.

import type { Priority } from '@afterwatt/wire';
import { z } from 'zod';
import type { Present, Verdict } from './detector.ts';

const MINUTE_MS = 60_000;
const HOUR_MS = 60 * MINUTE_MS;
/** The third raise within an hour is held for an hour: more than 3 is chattering (ISA-18.2 knows no number; own judgement). */
const CHATTER_RAISES = 3;
const CHATTER_WINDOW_MS = HOUR_MS;
/** A standing incident is brought up to date after 15 min, 1 h, 4 h and so on, so its history stays short. */
const FIRST_UPDATE_MS = 15 * MINUTE_MS;
const UPDATE_BACKOFF = 4;

export const lifeSchema = z.object({
  phase: z.enum(['quiet', 'pending', 'active', 'clearing']),
  /** Since when the fault is present (pending, active) or absent (clearing), device time. */
  sinceMs: z.number(),
  onsetMs: z.number(),
  detectedMs: z.number(),
  updateDueMs: z.number(),
  priority: z.enum(['critical', 'high', 'medium', 'low']).nullable(),
  /** Raises within the last hour. */
  raisesMs: z.array(z.number()),
});

export type Life = z.infer<typeof lifeSchema>;

export type Step =
  | { readonly type: 'raised'; readonly onsetMs: number; readonly chattering: boolean }
  | { readonly type: 'updated'; readonly detectedMs: number }
  | { readonly type: 'cleared'; readonly detectedMs: number; readonly why: ClearedWhy };

export type ClearedWhy = 'returned to normal' | 'mended' | 'explained by another incident';

export interface Delays {
  readonly onDelayMs: number;
  readonly offDelayMs: number;
}

export function startLife(): Life {
  return {
    phase: 'quiet',
    sinceMs: 0,
    onsetMs: 0,
    detectedMs: 0,
    updateDueMs: 0,
    priority: null,
    raisesMs: [],
  };
}

/** True while time alone can change it. */
export function isRestless(life: Life): boolean {
  return life.phase === 'pending' || life.phase === 'clearing';
}

/** True while an incident stands. */
export function isStanding(life: Life): boolean {
  return life.phase === 'active' || life.phase === 'clearing';
}

/**
 * Takes what a detector said at `nowMs` (device time) into the life, in place.
 * @param latest the last verdict of presence, which a raise by time alone rests on
 * @returns what became of the incident, if anything
 */
export function hear(life: Life, verdict: Verdict, nowMs: number, delays: Delays): Step | undefined {
  switch (verdict.is) {
    case 'unknown':
      return undefined;
    case 'absent':
      return hearAbsent(life, nowMs, delays);
    case 'present':
      return hearPresent(life, verdict, nowMs, delays);
  }
}

/** Lets time pass: an on-delay or off-delay may be over. `latest` is what the detector last said of presence. */
export function passTime(
  life: Life,
  latest: Present | undefined,
  nowMs: number,
  delays: Delays,
): Step | undefined {
  if (life.phase === 'pending' && latest !== undefined && nowMs - life.sinceMs >= delays.onDelayMs) {
    return raise(life, latest, nowMs);
  }
  if (life.phase === 'clearing' && nowMs - life.sinceMs >= offDelayMs(life, nowMs, delays)) {
    return clear(life, 'returned to normal');
  }
  return undefined;
}

/** Ends a standing incident, or forgets a pending one, for a reason other than a verdict. */
export function close(life: Life, why: ClearedWhy): Step | undefined {
  if (isStanding(life)) return clear(life, why);
  life.phase = 'quiet';
  return undefined;
}

function hearPresent(life: Life, verdict: Present, nowMs: number, delays: Delays): Step | undefined {
  switch (life.phase) {
    case 'quiet':
      life.phase = 'pending';
      life.sinceMs = Math.min(verdict.sinceMs, nowMs);
      return raiseIfDue(life, verdict, nowMs, delays);
    case 'pending':
      return raiseIfDue(life, verdict, nowMs, delays);
    case 'clearing':
      life.phase = 'active';
      return updateIfDue(life, verdict, nowMs);
    case 'active':
      return updateIfDue(life, verdict, nowMs);
  }
}

function hearAbsent(life: Life, nowMs: number, delays: Delays): Step | undefined {
  switch (life.phase) {
    case 'quiet':
      return undefined;
    case 'pending':
      life.phase = 'quiet';
      return undefined;
    case 'active':
      life.phase = 'clearing';
      life.sinceMs = nowMs;
      return passTime(life, undefined, nowMs, delays);
    case 'clearing':
      return passTime(life, undefined, nowMs, delays);
  }
}

function raiseIfDue(life: Life, verdict: Present, nowMs: number, delays: Delays): Step | undefined {
  const due = verdict.atOnce === true || nowMs - life.sinceMs >= delays.onDelayMs;
  return due ? raise(life, verdict, nowMs) : undefined;
}

function raise(life: Life, verdict: Present, nowMs: number): Step {
  life.phase = 'active';
  life.onsetMs = Math.min(verdict.sinceMs, nowMs);
  life.detectedMs = nowMs;
  life.priority = verdict.priority ?? null;
  life.updateDueMs = nowMs + FIRST_UPDATE_MS;
  life.raisesMs = [...recentRaises(life, nowMs), nowMs];
  return { type: 'raised', onsetMs: life.onsetMs, chattering: life.raisesMs.length >= CHATTER_RAISES };
}

function updateIfDue(life: Life, verdict: Present, nowMs: number): Step | undefined {
  const priority = verdict.priority ?? null;
  if (priority === life.priority && nowMs < life.updateDueMs) return undefined;
  if (nowMs >= life.updateDueMs) life.updateDueMs = nowMs + (nowMs - life.detectedMs) * (UPDATE_BACKOFF - 1);
  life.priority = priority;
  return { type: 'updated', detectedMs: life.detectedMs };
}

function clear(life: Life, why: ClearedWhy): Step {
  life.phase = 'quiet';
  return { type: 'cleared', detectedMs: life.detectedMs, why };
}

function offDelayMs(life: Life, nowMs: number, delays: Delays): number {
  const held = recentRaises(life, nowMs).length >= CHATTER_RAISES;
  return held ? Math.max(delays.offDelayMs, CHATTER_WINDOW_MS) : delays.offDelayMs;
}

function recentRaises(life: Life, nowMs: number): number[] {
  return life.raisesMs.filter((at) => nowMs - at < CHATTER_WINDOW_MS);
}

/** The priority that stands: the verdict's own where it said one, else the kind's. */
export function standingPriority(life: Life, ofKind: Priority): Priority {
  return life.priority ?? ofKind;
}
