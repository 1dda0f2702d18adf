// Which quantities of a site should move, and which other channels show that one of them should have.

import type { Reading, Site, SiteBattery, SiteInlet } from '@afterwatt/wire';
import { rightLogOdds } from './models/wiring/clamp-pair.ts';
import { areFine } from './models/wiring/voltage-evidence.ts';
import { placeOf, type SiteView } from './site-view.ts';

/** Below these a quantity shows nothing. */
const DEAD_V = 10;
const NOTHING_W = 5;
const NOTHING_A = 0.1;
/** Changes that count, beyond rounding and noise (common practice). */
const LEG_STEP_W = 100;
const VOLTAGE_MOVING_STEP_W = 500;
const BATTERY_STEP_W = 150;
const VOLTAGE_STEP_V = 0.05;
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

/** Written out: comparing a name that was put together from parts takes many times as long. */
const OF_LEG = {
  L1: { volts: 'l1.v', watts: 'l1.p', amps: 'l1.i' },
  L2: { volts: 'l2.v', watts: 'l2.p', amps: 'l2.i' },
} as const;
const OF_INLET = {
  1: { watts: 'inlet1.p', amps: 'inlet1.i' },
  2: { watts: 'inlet2.p', amps: 'inlet2.i' },
} as const;
type OfLeg = (typeof OF_LEG)['L1' | 'L2'];
type OfInlet = (typeof OF_INLET)[1 | 2];
type Quantity = OfLeg[keyof OfLeg] | OfInlet[keyof OfInlet] | 'ac.v' | 'ac.p' | 'ac.i' | 'soc';

/** One quantity that should move, and what shows that it should have. */
export interface FlatlineCandidate {
  readonly device: string;
  readonly quantity: Quantity;
  /** A size of no more means nothing when it stands still. */
  readonly least: number;
  /** What it must follow, and by how much that must change to count. */
  readonly witness: (view: SiteView) => number | null;
  readonly witnessStep: number;
  /** What does not stand still while it does, if it is lively itself. */
  readonly neighbour: (view: SiteView) => number | null;
  readonly neighbourStep: number;
  readonly measures: 'voltage' | 'load' | 'charge';
  /** The voltage of a port: while their unit is at rest some show their nominal voltage. */
  readonly isOfPort: boolean;
  /** Of a charge: the power that must move it, W, and the energy that moves it for certain, Wh. */
  readonly moving: { readonly flowW: (view: SiteView) => number; readonly leastWh: number } | null;
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
      portCurrentCandidate(site, battery.device),
      chargeCandidate(site, battery),
    ]),
  ];
  return new Map(candidates.map((each) => [`${each.device} ${each.quantity}`, inOneShape(each)]));
}

type Candidate = Omit<FlatlineCandidate, 'isOfPort' | 'moving'> &
  Partial<Pick<FlatlineCandidate, 'isOfPort' | 'moving'>>;

/** Fields in one order for all: they are read at every reading, and objects of many shapes are slow to read. */
function inOneShape(candidate: Candidate): FlatlineCandidate {
  const { device, quantity, least, witness, witnessStep, neighbour, neighbourStep, measures } = candidate;
  const { isOfPort = false, moving = null, isTrusted } = candidate;
  return {
    device,
    quantity,
    least,
    witness,
    witnessStep,
    neighbour,
    neighbourStep,
    measures,
    isOfPort,
    moving,
    isTrusted,
  };
}

/** What a reading of its device says of a candidate; null: not sent, or such that standing still means nothing. */
export function sizedValue({ quantity, least }: FlatlineCandidate, reading: Reading): number | null {
  return above(quantityOf(reading, quantity), least);
}

/** Is the unit whose reading this is at rest? */
export function isAtRest(reading: Reading): boolean {
  return above(batteryWattsOf(reading), RESTS_W) === null;
}

/** One function for all, and objects of one shape: together a third faster than a function of each one's own. */
function quantityOf(reading: Reading, quantity: Quantity): number | null {
  if (reading.kind === 'battery') {
    switch (quantity) {
      case 'ac.v':
        return reading.acV;
      case 'ac.i':
        return reading.acA;
      case 'ac.p':
        return reading.acW;
      case 'soc':
        return gaugePct(reading.socPct);
      default:
        return null;
    }
  }
  switch (quantity) {
    case 'l1.v':
      return reading.l1V;
    case 'l2.v':
      return reading.l2V;
    case 'l1.p':
      return reading.l1W;
    case 'l2.p':
      return reading.l2W;
    case 'l1.i':
      return reading.l1A;
    case 'l2.i':
      return reading.l2A;
    case 'inlet1.p':
      return reading.inlet1W;
    case 'inlet2.p':
      return reading.inlet2W;
    case 'inlet1.i':
      return reading.inlet1A;
    case 'inlet2.i':
      return reading.inlet2A;
    default:
      return null;
  }
}

/** Near its ends a gauge waits for the cells. */
function gaugePct(pct: number | null): number | null {
  return pct === null || pct < GAUGE_LEAST_PCT || pct > GAUGE_MOST_PCT ? null : pct;
}

function legCandidates(site: Site, leg: 'L1' | 'L2'): Candidate[] {
  const { device } = site.meter;
  const quantities = OF_LEG[leg];
  const other = leg === 'L1' ? 'L2' : 'L1';
  const places = placesOn(site, (inlet) => inlet.leg === leg);
  const always = { device, isTrusted: () => true };
  return [
    {
      ...always,
      quantity: quantities.volts,
      least: DEAD_V,
      witness: ({ meter }) => wattsOf(meter, leg),
      witnessStep: VOLTAGE_MOVING_STEP_W,
      neighbour: ({ meter }) => voltsOf(meter, other),
      neighbourStep: VOLTAGE_STEP_V,
      measures: 'voltage',
      // Rounded more coarsely, it may well stand still while the load moves.
      isTrusted: ({ wiring }) => areFine(wiring.voltages),
    },
    {
      ...always,
      quantity: quantities.watts,
      least: NOTHING_W,
      witness: (view) => (ampsOf(view.meter, leg) ?? 0) * NOMINAL_V + batteriesW(view, places),
      witnessStep: LEG_STEP_W,
      neighbour: ({ meter }) => wattsOf(meter, other),
      neighbourStep: LEG_STEP_W,
      measures: 'load',
    },
    {
      ...always,
      quantity: quantities.amps,
      least: NOTHING_A,
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
function inletCandidates(site: Site, number: 1 | 2): Candidate[] {
  const channel = site.inlets.findIndex((inlet) => inlet.number === number);
  const batteries = site.batteries.filter(({ inlet }) => inlet === number);
  const inletW = ({ meter }: SiteView) => inletWattsOf(meter, number);
  const places = placesOn(site, (inlet) => inlet.number === number);
  const batteryW = (view: SiteView) => batteriesW(view, places);
  const each = {
    measures: 'load' as const,
    witnessStep: BATTERY_STEP_W,
    neighbour: () => null,
    neighbourStep: BATTERY_STEP_W,
    isTrusted: ({ wiring }: SiteView) => rightLogOdds(wiring.inlets, channel) > 0,
  };
  const ofCurrent: Candidate = {
    ...followsPower(inletW),
    device: site.meter.device,
    quantity: OF_INLET[number].amps,
    least: NOTHING_A,
  };
  const [battery, another] = batteries;
  if (battery === undefined) return [ofCurrent];
  const ofInlet: Candidate = {
    ...each,
    device: site.meter.device,
    quantity: OF_INLET[number].watts,
    least: NOTHING_W,
    witness: batteryW,
  };
  if (another !== undefined) return [ofInlet, ofCurrent];
  const ofBattery: Candidate = {
    ...each,
    device: battery.device,
    quantity: 'ac.p',
    // One that is off stands still as well, and is not to while the inlet's channel moves.
    least: Number.NEGATIVE_INFINITY,
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

function portCurrentCandidate(site: Site, device: string): Candidate {
  const place = placeOf(site, device);
  return {
    ...followsPower(({ newest }) => newest[place]?.acW ?? null),
    device,
    quantity: 'ac.i',
    least: NOTHING_A,
  };
}

/** A gauge moves with the energy that goes in or out, but near its ends, where it waits for the cells. */
function chargeCandidate(site: Site, { device, inlet, capacityWh }: SiteBattery): Candidate {
  const place = placeOf(site, device);
  const isAlone = site.batteries.filter((other) => other.inlet === inlet).length === 1;
  return {
    device,
    quantity: 'soc',
    least: 0,
    witness: () => null,
    witnessStep: 0,
    neighbour: () => null,
    neighbourStep: 0,
    measures: 'charge',
    isTrusted: () => true,
    moving: {
      leastWh: GAUGE_MOVES_SHARE * capacityWh,
      flowW({ newest, meter }) {
        const solarW = newest[place]?.pvW ?? 0;
        // What a resting unit takes for itself goes into no cell.
        const ownW = above(newest[place]?.acW ?? null, RESTS_W) ?? 0;
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
function portVoltageCandidate(site: Site, device: string, inlet: number): Candidate {
  const leg = site.inlets.find(({ number }) => number === inlet)?.leg ?? 'L1';
  return {
    device,
    quantity: 'ac.v',
    least: DEAD_V,
    isOfPort: true,
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

function batteryWattsOf(reading: Reading): number | null {
  return reading.kind === 'battery' ? reading.acW : null;
}

/** Places in the site's list of the batteries on these inlets. */
function placesOn(site: Site, isMeant: (inlet: SiteInlet) => boolean): number[] {
  const numbers = site.inlets.filter(isMeant).map(({ number }) => number);
  return site.batteries.flatMap(({ inlet }, place) => (numbers.includes(inlet) ? [place] : []));
}

function batteriesW({ newest }: SiteView, places: readonly number[]): number {
  let sum = 0;
  for (const place of places) sum += newest[place]?.acW ?? 0;
  return sum;
}
