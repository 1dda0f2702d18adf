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

/** The same as it is kept: device time, L1, L2, inlet 1, inlet 2, whole watts. */
const keptSchema = z.tuple([
  z.number(),
  z.number(),
  z.number(),
  z.number().nullable(),
  z.number().nullable(),
]);
type Kept = z.infer<typeof keptSchema>;

export const meterWindowSchema = z.object({
  rows: z.array(keptSchema).max(ROWS),
  /** Place of the oldest row once the window is full. */
  next: z.number(),
});
export type MeterWindow = z.infer<typeof meterWindowSchema>;

export function startMeterWindow(): MeterWindow {
  return { rows: [], next: 0 };
}

/**
 * Takes a reading into the window, over the oldest. One without service power is left out.
 * @param spacingMs readings closer to the last one than this are left out, so that the window reaches back
 */
export function pushReading(window: MeterWindow, reading: MeterReading, spacingMs: number): void {
  const { at, l1W, l2W, inlet1W, inlet2W } = reading;
  if (l1W === null || l2W === null) return;
  const newest = window.rows[(window.next + window.rows.length - 1) % ROWS];
  if (newest !== undefined && at - newest[0] < spacingMs) return;
  const kept: Kept = [at, Math.round(l1W), Math.round(l2W), whole(inlet1W), whole(inlet2W)];
  if (window.rows.length < ROWS) {
    window.rows.push(kept);
    return;
  }
  window.rows[window.next] = kept;
  window.next = (window.next + 1) % ROWS;
}

function whole(watts: number | null): number | null {
  return watts === null ? null : Math.round(watts);
}

/** The last row at or before `atMs`. */
export function rowBefore({ rows, next }: MeterWindow, atMs: number): MeterRow | undefined {
  for (let back = 1; back <= rows.length; back++) {
    const kept = rows[(next + rows.length - back) % rows.length];
    if (kept !== undefined && kept[0] <= atMs) return rowOf(kept);
  }
  return undefined;
}

/** The rows at or after `atMs`, in no order. */
export function rowsSince({ rows }: MeterWindow, atMs: number): MeterRow[] {
  const since: MeterRow[] = [];
  for (const kept of rows) if (kept[0] >= atMs) since.push(rowOf(kept));
  return since;
}

/** Did every row at or after `atMs` show that inlet's channel between these bounds, W? One that was not sent shows 0. */
export function isInletWithin(
  { rows }: MeterWindow,
  atMs: number,
  inlet: 1 | 2,
  lowW: number,
  highW: number,
): boolean {
  for (const kept of rows) {
    if (kept[0] < atMs) continue;
    const watts = (inlet === 1 ? kept[3] : kept[4]) ?? 0;
    if (watts < lowW || watts > highW) return false;
  }
  return true;
}

function rowOf([at, l1W, l2W, inlet1W, inlet2W]: Kept): MeterRow {
  return { at, legW: [l1W, l2W], inletW: [inlet1W, inlet2W] };
}

/**
 * The rows from the last at or before `fromMs` to the first at or after `toMs`.
 * @returns 'later' while the meter has not come so far, 'gone' where the window does not reach back so far
 */
export function rowsAround(window: MeterWindow, fromMs: number, toMs: number): MeterRow[] | 'later' | 'gone' {
  const { rows, next } = window;
  const ordered = rows.length < ROWS ? rows : [...rows.slice(next), ...rows.slice(0, next)];
  const first = ordered.findLastIndex(([at]) => at <= fromMs);
  const last = ordered.findIndex(([at]) => at >= toMs);
  if (first < 0) return 'gone';
  return last < 0 ? 'later' : ordered.slice(first, last + 1).map(rowOf);
}
