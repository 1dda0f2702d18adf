// Which quantities of a site should move, and which other channels show that one of them should have.

import type { Reading, Site, SiteBattery, SiteInlet } from '@afterwatt/wire';
import { rightLogOdds } from './models/wiring/clamp-pair.ts';
import type { SiteView } from './site-view.ts';

/** Below these a quantity shows nothing. */
const DEAD_V = 10;
const NOTHING_W = 5;
const NOTHING_A = 0.1;
/** Changes that count, beyond rounding and noise (common practice). */
const LEG_STEP_W = 100;
const VOLTAGE_MOVING_STEP_W = 500;
const BATTERY_STEP_W = 150;
const VOLTAGE_STEP_V = 0.05;
/** A voltage rounded to this or less shows loads of VOLTAGE_MOVING_STEP_W (some 0.05 ohm of service). */
const FINE_V = 0.15;
/** More than a voltage rounded to 1 V hides. */
const PORT_FOLLOWS_V = 1.2;
const NOMINAL_V = 120;
/** A unit's own consumption and less (common practice). */
const RESTS_W = 50;
/** A gauge waits for the cells beyond these, per cent; in between so much of the capacity moves any gauge (own judgement). */
const GAUGE_LEAST_PCT = 5;
const GAUGE_MOST_PCT = 95;
const GAUGE_MOVES_SHARE = 0.1;
/** Two instruments' figures of one power (common practice). */
const AGREES_SHARE = 0.25;

/** One quantity that should move, and what shows that it should have. */
export interface FlatlineCandidate {
  readonly device: string;
  readonly quantity: string;
  /** What a reading of the device says; null: not sent, or such that standing still means nothing. */
  readonly value: (reading: Reading) => number | null;
  /** What it must follow, and by how much that must change to count. */
  readonly witness: (view: SiteView) => number | null;
  readonly witnessStep: number;
  /** What does not stand still while it does, if it is lively itself. */
  readonly neighbour: (view: SiteView) => number | null;
  readonly neighbourStep: number;
  readonly measures: 'voltage' | 'load' | 'charge';
  /** Of a port: is its unit at rest, where some show their nominal voltage? */
  readonly rests?: (reading: Reading) => boolean;
  /** Of a charge: the power that must move it, W, and the energy that moves it for certain, Wh. */
  readonly moving?: { readonly flowW: (view: SiteView) => number; readonly leastWh: number };
  /** Asked only when it would be called flat: does the witness stand for what this channel measures? */
  readonly isTrusted: (view: SiteView) => boolean;
}

/** Made once a site: a rules worker that starts thousands of sites asks for them dozens of times each. */
const known = new WeakMap<Site, ReadonlyMap<string, FlatlineCandidate>>();

/** The candidates of a site by subject, 'meter-1 l1.p'. */
export function flatlineCandidates(site: Site): ReadonlyMap<string, FlatlineCandidate> {
  const before = known.get(site);
  if (before !== undefined) return before;
  const made = candidatesOf(site);
  known.set(site, made);
  return made;
}

function candidatesOf(site: Site): ReadonlyMap<string, FlatlineCandidate> {
  const candidates = [
    ...legCandidates(site, 'L1'),
    ...legCandidates(site, 'L2'),
    ...site.inlets.flatMap(({ number }) => inletCandidates(site, number)),
    ...site.batteries.flatMap((battery) => [
      portVoltageCandidate(site, battery.device, battery.inlet),
      portCurrentCandidate(battery.device),
      chargeCandidate(site, battery),
    ]),
  ];
  return new Map(candidates.map((c) => [`${c.device} ${c.quantity}`, c]));
}

function legCandidates(site: Site, leg: 'L1' | 'L2'): FlatlineCandidate[] {
  const { device } = site.meter;
  const name = leg.toLowerCase();
  const other = leg === 'L1' ? 'L2' : 'L1';
  const devices = batteriesOn(site, (inlet) => inlet.leg === leg);
  const always = { device, isTrusted: () => true };
  return [
    {
      ...always,
      quantity: `${name}.v`,
      value: (reading) => above(voltsOf(reading, leg), DEAD_V),
      witness: ({ meter }) => wattsOf(meter, leg),
      witnessStep: VOLTAGE_MOVING_STEP_W,
      neighbour: ({ meter }) => voltsOf(meter, other),
      neighbourStep: VOLTAGE_STEP_V,
      measures: 'voltage',
      // Rounded more coarsely, it may well stand still while the load moves.
      isTrusted: ({ wiring }) => wiring.voltages.resolutionV <= FINE_V,
    },
    {
      ...always,
      quantity: `${name}.p`,
      value: (reading) => above(wattsOf(reading, leg), NOTHING_W),
      witness: (view) => (ampsOf(view.meter, leg) ?? 0) * NOMINAL_V + batteriesW(view, devices),
      witnessStep: LEG_STEP_W,
      neighbour: ({ meter }) => wattsOf(meter, other),
      neighbourStep: LEG_STEP_W,
      measures: 'load',
    },
    {
      ...always,
      quantity: `${name}.i`,
      value: (reading) => above(ampsOf(reading, leg), NOTHING_A),
      // An RMS current does not know the direction of what it follows.
      witness: ({ meter }) => Math.abs(wattsOf(meter, leg) ?? 0),
      witnessStep: LEG_STEP_W,
      // Current and power of one clamp that hang together are one fault, told of the power.
      neighbour: ({ meter }) => Math.abs(wattsOf(meter, leg) ?? 0),
      neighbourStep: LEG_STEP_W,
      measures: 'load',
    },
  ];
}

/** An inlet's channel and its battery's figure: each is the other's witness, once the clamp is proven right. */
function inletCandidates(site: Site, number: number): FlatlineCandidate[] {
  const channel = site.inlets.findIndex((inlet) => inlet.number === number);
  const batteries = site.batteries.filter(({ inlet }) => inlet === number);
  const inletW = ({ meter }: SiteView) => inletWattsOf(meter, number);
  const devices = batteries.map(({ device }) => device);
  const batteryW = (view: SiteView) => batteriesW(view, devices);
  const each = {
    measures: 'load' as const,
    witnessStep: BATTERY_STEP_W,
    neighbour: () => null,
    neighbourStep: BATTERY_STEP_W,
    isTrusted: ({ wiring }: SiteView) => rightLogOdds(wiring.inlets, channel) > 0,
  };
  const ofCurrent: FlatlineCandidate = {
    ...followsPower(inletW),
    device: site.meter.device,
    quantity: `inlet${number}.i`,
    value: (reading) => above(inletAmpsOf(reading, number), NOTHING_A),
  };
  const [battery, another] = batteries;
  if (battery === undefined) return [ofCurrent];
  const ofInlet: FlatlineCandidate = {
    ...each,
    device: site.meter.device,
    quantity: `inlet${number}.p`,
    value: (reading) => above(inletWattsOf(reading, number), NOTHING_W),
    witness: batteryW,
  };
  if (another !== undefined) return [ofInlet, ofCurrent];
  const ofBattery: FlatlineCandidate = {
    ...each,
    device: battery.device,
    quantity: 'ac.p',
    value: batteryWattsOf,
    witness: inletW,
  };
  return [ofInlet, ofCurrent, ofBattery];
}

/** A current follows the power of its own channel; RMS, it does not know the direction. */
function followsPower(watts: (view: SiteView) => number | null) {
  const sizeW = (view: SiteView) => Math.abs(watts(view) ?? 0);
  return {
    witness: sizeW,
    witnessStep: BATTERY_STEP_W,
    // Current and power that hang together are one fault, told of the power.
    neighbour: sizeW,
    neighbourStep: BATTERY_STEP_W,
    measures: 'load' as const,
    isTrusted: () => true,
  };
}

function portCurrentCandidate(device: string): FlatlineCandidate {
  return {
    ...followsPower(({ batteries }) => batteries.get(device)?.acW ?? null),
    device,
    quantity: 'ac.i',
    value: (reading) => (reading.kind === 'battery' ? above(reading.acA, NOTHING_A) : null),
  };
}

/** A gauge moves with the energy that goes in or out, but near its ends, where it waits for the cells. */
function chargeCandidate(site: Site, { device, inlet, capacityWh }: SiteBattery): FlatlineCandidate {
  const isAlone = site.batteries.filter((other) => other.inlet === inlet).length === 1;
  return {
    device,
    quantity: 'soc',
    value(reading) {
      const pct = reading.kind === 'battery' ? reading.socPct : null;
      return pct === null || pct < GAUGE_LEAST_PCT || pct > GAUGE_MOST_PCT ? null : pct;
    },
    witness: () => null,
    witnessStep: 0,
    neighbour: () => null,
    neighbourStep: 0,
    measures: 'charge',
    isTrusted: () => true,
    moving: {
      leastWh: GAUGE_MOVES_SHARE * capacityWh,
      flowW({ batteries, meter }) {
        const solarW = batteries.get(device)?.pvW ?? 0;
        // What a resting unit takes for itself goes into no cell.
        const ownW = above(batteries.get(device)?.acW ?? null, RESTS_W) ?? 0;
        const shownW = isAlone ? inletWattsOf(meter, inlet) : null;
        // What the clamp does not show either way may be a power that hangs.
        if (
          ownW !== 0 &&
          shownW !== null &&
          Math.abs(Math.abs(shownW) - Math.abs(ownW)) > AGREES_SHARE * Math.abs(ownW)
        ) {
          return 0;
        }
        return ownW + solarW;
      },
    },
  };
}

/** The voltage at a battery's port follows that of its leg. */
function portVoltageCandidate(site: Site, device: string, inlet: number): FlatlineCandidate {
  const leg = site.inlets.find(({ number }) => number === inlet)?.leg ?? 'L1';
  return {
    device,
    quantity: 'ac.v',
    value: (reading) => (reading.kind === 'battery' ? above(reading.acV, DEAD_V) : null),
    rests: (reading) => above(batteryWattsOf(reading), RESTS_W) === null,
    witness: ({ meter }) => voltsOf(meter, leg),
    witnessStep: PORT_FOLLOWS_V,
    neighbour: ({ meter }) => voltsOf(meter, leg),
    neighbourStep: VOLTAGE_STEP_V,
    measures: 'voltage',
    isTrusted: () => true,
  };
}

function above(value: number | null, least: number): number | null {
  return value === null || Math.abs(value) <= least ? null : value;
}

function voltsOf(reading: Reading | null, leg: 'L1' | 'L2'): number | null {
  if (reading?.kind !== 'meter') return null;
  return leg === 'L1' ? reading.l1V : reading.l2V;
}

function wattsOf(reading: Reading | null, leg: 'L1' | 'L2'): number | null {
  if (reading?.kind !== 'meter') return null;
  return leg === 'L1' ? reading.l1W : reading.l2W;
}

function ampsOf(reading: Reading | null, leg: 'L1' | 'L2'): number | null {
  if (reading?.kind !== 'meter') return null;
  return leg === 'L1' ? reading.l1A : reading.l2A;
}

function inletWattsOf(reading: Reading | null, number: number): number | null {
  if (reading?.kind !== 'meter') return null;
  return number === 1 ? reading.inlet1W : reading.inlet2W;
}

function inletAmpsOf(reading: Reading, number: number): number | null {
  if (reading.kind !== 'meter') return null;
  return number === 1 ? reading.inlet1A : reading.inlet2A;
}

function batteryWattsOf(reading: Reading): number | null {
  return reading.kind === 'battery' ? reading.acW : null;
}

function batteriesOn(site: Site, isMeant: (inlet: SiteInlet) => boolean): string[] {
  const numbers = site.inlets.filter(isMeant).map(({ number }) => number);
  return site.batteries.filter(({ inlet }) => numbers.includes(inlet)).map(({ device }) => device);
}

function batteriesW({ batteries }: SiteView, devices: readonly string[]): number {
  let sum = 0;
  for (const device of devices) sum += batteries.get(device)?.acW ?? 0;
  return sum;
}
