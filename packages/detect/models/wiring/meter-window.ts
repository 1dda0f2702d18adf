// The last minutes of the meter's power channels, to look back from a battery's step to what stood before it.

import type { MeterReading } from '@afterwatt/wire';
import { z } from 'zod';

/** Rows kept; at 5 s they reach back a minute and a half. */
const ROWS = 18;

/** Device time and power of one reading: the two service legs, then the inlets (null: not sent). */
const rowSchema = z.object({
  at: z.number(),
  legW: z.tuple([z.number(), z.number()]),
  inletW: z.tuple([z.number().nullable(), z.number().nullable()]),
});
export type MeterRow = z.infer<typeof rowSchema>;

export const meterWindowSchema = z.object({
  rows: z.array(rowSchema).max(ROWS),
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
  const newest = newestRow(window);
  if (newest !== undefined && at - newest.at < spacingMs) return;
  const oldest = window.rows[window.next];
  if (window.rows.length < ROWS || oldest === undefined) {
    window.rows.push({ at, legW: [l1W, l2W], inletW: [inlet1W, inlet2W] });
    return;
  }
  oldest.at = at;
  oldest.legW[0] = l1W;
  oldest.legW[1] = l2W;
  oldest.inletW[0] = inlet1W;
  oldest.inletW[1] = inlet2W;
  window.next = (window.next + 1) % ROWS;
}

function newestRow(window: MeterWindow): MeterRow | undefined {
  return rowBefore(window, Number.POSITIVE_INFINITY);
}

/** The last row at or before `atMs`. */
export function rowBefore({ rows, next }: MeterWindow, atMs: number): MeterRow | undefined {
  for (let back = 1; back <= rows.length; back++) {
    const row = rows[(next + rows.length - back) % rows.length];
    if (row !== undefined && row.at <= atMs) return row;
  }
  return undefined;
}

/**
 * The rows from the last at or before `fromMs` to the first at or after `toMs`.
 * @returns 'later' while the meter has not come so far, 'gone' where the window does not reach back so far
 */
export function rowsAround(window: MeterWindow, fromMs: number, toMs: number): MeterRow[] | 'later' | 'gone' {
  const { rows, next } = window;
  const ordered = rows.length < ROWS ? rows : [...rows.slice(next), ...rows.slice(0, next)];
  const first = ordered.findLastIndex((row) => row.at <= fromMs);
  const last = ordered.findIndex((row) => row.at >= toMs);
  if (first < 0) return 'gone';
  return last < 0 ? 'later' : ordered.slice(first, last + 1);
}
