// How long a battery carries the house: usable energy over what is drawn from the cells.
// The arithmetic of a discharge at the AC port is @afterwatt/electrical's; here is what goes into it.

import type { BatteryReading, Site, SiteBattery } from '@afterwatt/wire';
import { usualLoadW } from './models/house-load.ts';
import type { SiteView } from './site-view.ts';

const HOUR_MS = 3_600_000;
const STEP_MS = HOUR_MS / 4;
/** AC energy out for each unit taken from the cells (residential AC-coupled batteries turn round 80 to 92 %; the square root of 85 %). */
export const DISCHARGE_EFFICIENCY = 0.92;
/** What the inverter itself draws while it runs (common practice: 10 to 20 W). */
export const IDLE_W = 15;
/** No forecast reaches further. */
export const HORIZON_MS = 72 * HOUR_MS;

/** What an AC power takes from the cells, W: losses and idle draw added, solar power into the battery taken off. */
export function cellDrainW(dischargeW: number, pvW: number): number {
  return Math.max(0, dischargeW / DISCHARGE_EFFICIENCY + IDLE_W - pvW);
}

/** What a battery takes from its cells at this moment, W; null when its power is not known. */
export function presentDrainW(reading: BatteryReading): number | null {
  return reading.acW === null ? null : cellDrainW(-reading.acW, reading.pvW ?? 0);
}

/**
 * What the house's usual load at `atMs` would take from one battery's cells, W: its share by capacity, at most
 * what its inlet carries. null while the house's load at that hour of the week is not known.
 */
export function usualDrainW(view: SiteView, battery: SiteBattery, atMs: number): number | null {
  const loadW = usualLoadW(view.houseLoad, view.site, atMs);
  if (loadW === null) return null;
  const { batteries, inlets } = view.site;
  const totalWh = batteries.reduce((sum, b) => sum + b.capacityWh, 0);
  const inlet = inlets.find((i) => i.number === battery.inlet);
  const shareW = (loadW * battery.capacityWh) / totalWh;
  return cellDrainW(Math.min(shareW, inlet?.capWatts ?? shareW), 0);
}

/**
 * How long an amount of energy lasts, milliseconds, at most HORIZON_MS.
 * @param energyWh in the cells, 0 and up
 * @param drainW what is taken from the cells at an instant, W, 0 and up
 */
export function lastsMs(energyWh: number, fromMs: number, drainW: (atMs: number) => number): number {
  let leftWms = energyWh * HOUR_MS;
  for (let passedMs = 0; passedMs < HORIZON_MS; passedMs += STEP_MS) {
    const usedWms = drainW(fromMs + passedMs) * STEP_MS;
    if (usedWms >= leftWms) return passedMs + (leftWms === 0 ? 0 : (STEP_MS * leftWms) / usedWms);
    leftWms -= usedWms;
  }
  return HORIZON_MS;
}

/** The registration of a battery; every battery detector's subject has one. */
export function batteryOf(site: Site, device: string): SiteBattery {
  // Asked for at every reading: a loop takes half the time of `find`.
  for (const battery of site.batteries) if (battery.device === device) return battery;
  throw new Error(`site ${site.id} has no battery ${device}`);
}
