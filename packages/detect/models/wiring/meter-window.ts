// The last minutes of the meter's power channels, to look back from a battery's step to what stood before it.

import type { MeterReading } from '@afterwatt/wire';
import { z } from 'zod';

/** Rows kept; at 5 s they reach back a minute and a half. */
const ROWS = 18;

/** What one reading said: the two service legs, then the inlets (null: not sent). */
export interface MeterRow {
  readonly at: number;
  readonly legW: readonly [number, number];
  readonly inletW: readonly [number | null, number | null];
}

/** The rows by column, so that what stays the same is short in a checkpoint: a ring, in which `next` is the oldest. */
export const meterWindowSchema = z.object({
  /** Device time of the newest row, and the time from the row before to each, ms. */
  newestMs: z.number(),
  sinceMs: z.array(z.number()).max(ROWS),
  /** Whole watts. */
  l1W: z.array(z.number()).max(ROWS),
  l2W: z.array(z.number()).max(ROWS),
  inlet1W: z.array(z.number().nullable()).max(ROWS),
  inlet2W: z.array(z.number().nullable()).max(ROWS),
  /** Where the next row goes. */
  next: z.number(),
});
export type MeterWindow = z.infer<typeof meterWindowSchema>;

export function startMeterWindow(): MeterWindow {
  return { newestMs: 0, sinceMs: [], l1W: [], l2W: [], inlet1W: [], inlet2W: [], next: 0 };
}

/**
 * Takes a reading into the window, over the oldest. One without service power is left out.
 * @param spacingMs readings closer to the last one than this are left out, so that the window reaches back
 */
export function pushReading(window: MeterWindow, reading: MeterReading, spacingMs: number): void {
  const { at, l1W, l2W, inlet1W, inlet2W } = reading;
  if (l1W === null || l2W === null) return;
  const { newestMs, next } = window;
  if (at - newestMs < spacingMs) return;
  window.newestMs = at;
  window.sinceMs[next] = window.sinceMs.length === 0 ? 0 : at - newestMs;
  window.l1W[next] = Math.round(l1W);
  window.l2W[next] = Math.round(l2W);
  window.inlet1W[next] = whole(inlet1W);
  window.inlet2W[next] = whole(inlet2W);
  window.next = (next + 1) % ROWS;
}

function whole(watts: number | null): number | null {
  return watts === null ? null : Math.round(watts);
}

/** Place of the row that came so many before the newest. */
function placeOf({ sinceMs, next }: MeterWindow, back: number): number {
  return (next + sinceMs.length - 1 - back) % sinceMs.length;
}

function rowAt({ l1W, l2W, inlet1W, inlet2W }: MeterWindow, place: number, at: number): MeterRow {
  const legW: MeterRow['legW'] = [l1W[place] ?? 0, l2W[place] ?? 0];
  return { at, legW, inletW: [inlet1W[place] ?? null, inlet2W[place] ?? null] };
}

/** The last row at or before `atMs`. */
export function rowBefore(window: MeterWindow, atMs: number): MeterRow | undefined {
  let at = window.newestMs;
  for (let back = 0; back < window.sinceMs.length; back++) {
    const place = placeOf(window, back);
    if (at <= atMs) return rowAt(window, place, at);
    at -= window.sinceMs[place] ?? 0;
  }
  return undefined;
}

/** The rows at or after `atMs`, newest first. */
export function rowsSince(window: MeterWindow, atMs: number): MeterRow[] {
  const since: MeterRow[] = [];
  let at = window.newestMs;
  for (let back = 0; back < window.sinceMs.length && at >= atMs; back++) {
    const place = placeOf(window, back);
    since.push(rowAt(window, place, at));
    at -= window.sinceMs[place] ?? 0;
  }
  return since;
}

/** Did every row at or after `atMs` show that inlet's channel between these bounds, W? One that was not sent shows 0. */
export function isInletWithin(
  window: MeterWindow,
  atMs: number,
  inlet: 1 | 2,
  lowW: number,
  highW: number,
): boolean {
  const inletW = inlet === 1 ? window.inlet1W : window.inlet2W;
  let at = window.newestMs;
  for (let back = 0; back < inletW.length && at >= atMs; back++) {
    const place = placeOf(window, back);
    const watts = inletW[place] ?? 0;
    if (watts < lowW || watts > highW) return false;
    at -= window.sinceMs[place] ?? 0;
  }
  return true;
}

/**
 * The rows from the last at or before `fromMs` to the first at or after `toMs`.
 * @returns 'later' while the meter has not come so far, 'gone' where the window does not reach back so far
 */
export function rowsAround(window: MeterWindow, fromMs: number, toMs: number): MeterRow[] | 'later' | 'gone' {
  const ordered = rowsSince(window, Number.NEGATIVE_INFINITY).reverse();
  const first = ordered.findLastIndex(({ at }) => at <= fromMs);
  const last = ordered.findIndex(({ at }) => at >= toMs);
  if (first < 0) return 'gone';
  return last < 0 ? 'later' : ordered.slice(first, last + 1);
}
