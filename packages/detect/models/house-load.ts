// What the house uses: the usual load of each hour of the week. The median of the last four weeks, so that one
// party or one week away does not count (median: common practice for load profiles). An hour's mean is kept as
// one character on a logarithmic scale, a step of 12 %: 672 of them are the whole memory.

import { zoneClock } from '@afterwatt/tariff';
import type { MeterReading, Site } from '@afterwatt/wire';
import { z } from 'zod';
import type { Model } from '../site-view.ts';

const HOUR_MS = 3_600_000;
const HOURS_OF_WEEK = 168;
const WEEKS = 4;
/** Not yet known. */
const BLANK = '-';
/** Codes 0 to 61, in the order in which text sorts: 20 W and less up to 20 kW and more. */
const ALPHABET = '0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz';
const LEAST_W = 20;
const STEPS_PER_E = (ALPHABET.length - 1) / Math.log(1000);
/** An hour of which less than half was heard says nothing about that hour. */
const HEARD_MS = HOUR_MS / 2;
/** Longer than this between two readings is a gap: nothing is known of it. */
const GAP_MS = 60_000;

const schema = z.object({
  /** Four characters an hour of the week, the newest week first. */
  weeks: z.string().length(HOURS_OF_WEEK * WEEKS),
  /** The hour being added up: whole hours since the Unix epoch. */
  hour: z.number(),
  energyWms: z.number(),
  heardMs: z.number(),
  lastMs: z.number(),
});

export type HouseLoadState = z.infer<typeof schema>;

export const houseLoadModel: Model<HouseLoadState> = {
  state: schema,
  start: () => ({
    weeks: BLANK.repeat(HOURS_OF_WEEK * WEEKS),
    hour: 0,
    energyWms: 0,
    heardMs: 0,
    lastMs: 0,
  }),
  observe(state, event, view) {
    if (event.kind !== 'meter') return;
    const hour = Math.floor(event.at / HOUR_MS);
    if (hour > state.hour) {
      keepHour(state, view.site);
      state.hour = hour;
      state.energyWms = 0;
      state.heardMs = 0;
    }
    const stepMs = event.at - state.lastMs;
    if (stepMs <= 0) return;
    state.lastMs = event.at;
    // In an outage the house uses what it must, not what it usually does.
    if (stepMs > GAP_MS || view.grid.present === false) return;
    const loadW = houseLoadW(event);
    if (loadW === null) return;
    state.energyWms += loadW * stepMs;
    state.heardMs += stepMs;
  },
};

/**
 * What the house itself draws, W, 0 and up: the service less what goes into the inlets.
 * @returns null when a service leg was not measured
 */
export function houseLoadW(reading: MeterReading): number | null {
  const { l1W, l2W, inlet1W, inlet2W } = reading;
  if (l1W === null || l2W === null) return null;
  return Math.max(0, l1W + l2W - (inlet1W ?? 0) - (inlet2W ?? 0));
}

/**
 * The usual load of the hour in which `atMs` lies, W: the median of the same hour in the last four weeks.
 * @returns null when that hour has never been heard
 */
export function usualLoadW(state: HouseLoadState, site: Site, atMs: number): number | null {
  const at = zoneClock(site.timeZone).hourOfWeek(atMs) * WEEKS;
  const known = [...state.weeks.slice(at, at + WEEKS)].filter((code) => code !== BLANK).sort();
  const middle = (known.length - 1) / 2;
  const low = known[Math.floor(middle)];
  const high = known[Math.ceil(middle)];
  if (low === undefined || high === undefined) return null;
  return (wattsOf(low) + wattsOf(high)) / 2;
}

function keepHour(state: HouseLoadState, site: Site): void {
  if (state.heardMs < HEARD_MS) return;
  const at = zoneClock(site.timeZone).hourOfWeek(state.hour * HOUR_MS) * WEEKS;
  const { weeks } = state;
  const code = codeOf(state.energyWms / state.heardMs);
  state.weeks = weeks.slice(0, at) + code + weeks.slice(at, at + WEEKS - 1) + weeks.slice(at + WEEKS);
}

function codeOf(watts: number): string {
  const step = Math.round(STEPS_PER_E * Math.log(Math.max(watts, LEAST_W) / LEAST_W));
  return ALPHABET.charAt(Math.min(step, ALPHABET.length - 1));
}

function wattsOf(code: string): number {
  return LEAST_W * Math.exp(ALPHABET.indexOf(code) / STEPS_PER_E);
}
