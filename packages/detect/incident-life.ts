// From verdicts to incidents, for one (kind, subject). Words after ISA-18.2 / IEC 62682.
//
//            present          present, on-delay over or at once
//   quiet ------------> pending -------------------------------> active
//     ^    <-----------                                           |  ^
//     |       absent                                       absent |  | present
//     |                                                           v  |
//     +-------------------------------------------------------- clearing
//                     off-delay over, and the last word was absent
//
// An unknown verdict neither raises nor clears. Nor does time alone raise: the fault must be seen to stand when
// its on-delay is over. Time alone clears, because many a fault is disproved only once.

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
  /** While clearing: what was heard last was unknown. */
  inDoubt: z.boolean(),
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
    inDoubt: false,
    onsetMs: 0,
    detectedMs: 0,
    updateDueMs: 0,
    priority: null,
    raisesMs: [],
  };
}

/** The life of an incident that stands since before this one began. */
export function standingLife(onsetMs: number, detectedMs: number): Life {
  return { ...startLife(), phase: 'active', sinceMs: onsetMs, onsetMs, detectedMs };
}

/** True while an incident stands. */
export function isStanding(life: Life): boolean {
  return life.phase === 'active' || life.phase === 'clearing';
}

/**
 * Takes what a detector said at `nowMs` (device time) into the life, in place.
 * @returns what became of the incident, if anything
 */
export function hear(life: Life, verdict: Verdict, nowMs: number, delays: Delays): Step | undefined {
  switch (verdict.is) {
    case 'unknown':
      life.inDoubt = life.phase === 'clearing';
      return undefined;
    case 'absent':
      return hearAbsent(life, nowMs, delays);
    case 'present':
      return hearPresent(life, verdict, nowMs, delays);
  }
}

/** Lets time pass: an off-delay may be over. */
export function passTime(life: Life, nowMs: number, delays: Delays): Step | undefined {
  if (life.phase !== 'clearing' || life.inDoubt) return undefined;
  if (nowMs - life.sinceMs < offDelayMs(life, nowMs, delays)) return undefined;
  return clear(life, 'returned to normal');
}

/** Ends a standing incident, or forgets a pending one, for a reason other than a verdict. */
export function close(life: Life, why: ClearedWhy): Step | undefined {
  // What comes back after a mend is no chattering: the next raise is the first one.
  if (why === 'mended') life.raisesMs = [];
  if (isStanding(life)) return clear(life, why);
  life.phase = 'quiet';
  return undefined;
}

function hearPresent(life: Life, verdict: Present, nowMs: number, delays: Delays): Step | undefined {
  const sinceMs = Math.min(verdict.sinceMs, nowMs);
  switch (life.phase) {
    case 'quiet':
      life.phase = 'pending';
      life.sinceMs = sinceMs;
      return raiseIfDue(life, verdict, nowMs, delays);
    case 'pending':
      // The detector knows of a break in between (an unknown one does not end the wait).
      life.sinceMs = Math.max(life.sinceMs, sinceMs);
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
      life.inDoubt = false;
      return passTime(life, nowMs, delays);
    case 'clearing':
      life.inDoubt = false;
      return passTime(life, nowMs, delays);
  }
}

function raiseIfDue(life: Life, verdict: Present, nowMs: number, delays: Delays): Step | undefined {
  const due = verdict.atOnce === true || nowMs - life.sinceMs >= delays.onDelayMs;
  return due && recentRaises(life, nowMs).length < CHATTER_RAISES ? raise(life, verdict, nowMs) : undefined;
}

function raise(life: Life, verdict: Present, nowMs: number): Step {
  life.phase = 'active';
  life.onsetMs = Math.min(verdict.sinceMs, nowMs);
  // It names the incident: readings of a device whose clock lags may raise twice while time stands still.
  life.detectedMs = Math.max(nowMs, life.detectedMs + 1);
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
