// What an inlet circuit carries at one instant, by its two witnesses: the meter's inlet channel, and the
// batteries' own figures at their AC ports. What is on one circuit adds up with its sign, so that a battery
// that charges while another feeds leaves the circuit only the difference. A missing current or power is made
// from the other with the voltage at hand.

import type { BatteryReading, MeterReading, Site, SiteInlet } from '@afterwatt/wire';
import type { SiteEvent } from '../event.ts';
import type { SiteView } from '../site-view.ts';

/** A battery is counted while its newest reading is no older than this many periods, and at least 30 s. */
const FRESH_PERIODS = 2.5;
const FRESH_AT_LEAST_MS = 30_000;
/** Least power factor of an inverter at load; below it current and power contradict each other (common practice). */
const LEAST_POWER_FACTOR = 0.7;
/** In a sag a load of constant power draws more for a moment (IEEE 1159-2009 table 2: below 0.9 pu). */
const SAG_PU = 0.9;
/** Current times voltage may fall short of the power by two instruments' errors and a moment between them. */
const MOST_POWER_FACTOR = 1.1;

/** One witness's word on a circuit. Filled in place, because it is asked for at every reading. */
export interface CircuitLoad {
  /** Positive = charging. */
  amps: number;
  watts: number;
  /** Readings that the sum is made of; more than one were not taken at the same instant. */
  sources: number;
  /** Current, voltage and power agree, so that a single reading can be believed. */
  plausible: boolean;
  /** Usual time between readings of this witness, ms. */
  periodMs: number;
}

export function emptyCircuitLoad(): CircuitLoad {
  return { amps: 0, watts: 0, sources: 0, plausible: true, periodMs: 0 };
}

/** The inlet that a subject such as 'inlet 1' names. */
export function inletNamed(site: Site, subject: string): SiteInlet | undefined {
  for (const inlet of site.inlets) if (subject === inletSubject(inlet.number)) return inlet;
  return undefined;
}

export function inletSubject(number: 1 | 2): string {
  return number === 1 ? 'inlet 1' : 'inlet 2';
}

/** The devices that tell of the circuit of a subject such as 'inlet 1', or of its breaker. */
export function circuitDevices(subject: string, site: Site): string[] {
  const inlet = inletNamed(site, subject);
  const members = site.inlets.filter(
    (other) => inlet !== undefined && (other === inlet || shareBreaker(inlet, other)),
  );
  const batteries = site.batteries.filter((battery) =>
    members.some(({ number }) => number === battery.inlet),
  );
  return [site.meter, ...batteries].map(({ device }) => device);
}

/** Do both inlets hang on one breaker? */
export function shareBreaker(one: SiteInlet, other: SiteInlet): boolean {
  return one.breaker !== null && one.breaker === other.breaker;
}

/** What adds up on a shared breaker is told once, on the first of its inlets: is it this one? */
export function isFirstOfBreaker(inlet: SiteInlet, site: Site): boolean {
  let others = 0;
  for (const other of site.inlets) {
    if (other === inlet || !shareBreaker(inlet, other)) continue;
    if (other.number < inlet.number) return false;
    others += 1;
  }
  return others > 0;
}

/**
 * Measures the circuit of one inlet, or of all inlets on its breaker, from the event at hand.
 * @param load filled with the result
 * @returns false when the event says nothing of this circuit
 */
export function measureCircuit(
  inlet: SiteInlet,
  wholeBreaker: boolean,
  event: SiteEvent,
  view: SiteView,
  load: CircuitLoad,
): boolean {
  if (event.kind !== 'meter' && event.kind !== 'battery') return false;
  load.amps = 0;
  load.watts = 0;
  load.sources = 0;
  load.plausible = true;
  let concerned = false;
  for (const member of view.site.inlets) {
    if (member !== inlet && !(wholeBreaker && shareBreaker(member, inlet))) continue;
    const told =
      event.kind === 'meter'
        ? addChannel(member, event, view, load)
        : addBatteries(member, event, view, load);
    concerned ||= told;
  }
  // One meter measures all of its channels at the same instant.
  if (event.kind === 'meter') load.sources = 1;
  return concerned;
}

/**
 * Sums what the batteries on an inlet last said of themselves, whatever the event at hand.
 * @returns false when none of them was heard lately
 */
export function measureBatteries(inlet: SiteInlet, view: SiteView, load: CircuitLoad): boolean {
  load.amps = 0;
  load.watts = 0;
  load.sources = 0;
  load.plausible = true;
  addBatteries(inlet, null, view, load);
  return load.sources > 0;
}

function addChannel(inlet: SiteInlet, meter: MeterReading, view: SiteView, load: CircuitLoad): boolean {
  const amps = inlet.number === 1 ? meter.inlet1A : meter.inlet2A;
  const watts = inlet.number === 1 ? meter.inlet1W : meter.inlet2W;
  load.periodMs = 1000 * (meter.periodS ?? view.site.meter.periodSeconds);
  return addUp(amps, watts, legVolts(view, inlet), load);
}

function addBatteries(
  inlet: SiteInlet,
  event: BatteryReading | null,
  view: SiteView,
  load: CircuitLoad,
): boolean {
  let concerned = false;
  const { batteries } = view.site;
  for (let place = 0; place < batteries.length; place++) {
    const battery = batteries[place];
    if (battery === undefined || battery.inlet !== inlet.number) continue;
    const reading = view.newest[place] ?? null;
    if (reading === null || !isFresh(view, reading, battery.periodSeconds)) continue;
    const volts = reading.acV !== null && reading.acV > 0 ? reading.acV : legVolts(view, inlet);
    load.plausible &&= volts >= SAG_PU * view.site.service.nominalVolts;
    const added = addUp(reading.acA, reading.acW, volts, load);
    if (!added || reading !== event) continue;
    concerned = true;
    load.periodMs = 1000 * (reading.periodS ?? battery.periodSeconds);
  }
  return concerned;
}

function addUp(rms: number | null, power: number | null, volts: number, load: CircuitLoad): boolean {
  if (rms === null && power === null) return false;
  const watts = power ?? (rms ?? 0) * volts;
  const amps = rms === null ? Math.abs(watts) / volts : Math.abs(rms);
  load.amps += watts < 0 ? -amps : amps;
  load.watts += watts;
  load.sources += 1;
  const apparentVa = amps * volts;
  load.plausible &&=
    Math.abs(watts) >= LEAST_POWER_FACTOR * apparentVa && Math.abs(watts) <= MOST_POWER_FACTOR * apparentVa;
  return true;
}

/** Voltage of the inlet's leg at the panel, V; nominal where the meter has not said or the leg is dead. */
export function legVolts(view: SiteView, inlet: SiteInlet): number {
  const volts = inlet.leg === 'L1' ? view.meter?.l1V : view.meter?.l2V;
  const nominal = view.site.service.nominalVolts;
  return volts === null || volts === undefined || volts < nominal / 2 ? nominal : volts;
}

/** Is a battery's newest reading recent enough to say what it does now? */
export function isFresh(view: SiteView, reading: BatteryReading, periodSeconds: number): boolean {
  const periodMs = 1000 * (reading.periodS ?? periodSeconds);
  return view.nowMs - reading.at <= Math.max(FRESH_AT_LEAST_MS, FRESH_PERIODS * periodMs);
}
