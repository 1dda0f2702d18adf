// Faults of the inlet circuit and of the service.

import { copperOhmPerKft, loopResistanceOhm } from '@afterwatt/electrical';
import { wallCopperOhm } from '../panel-circuit.ts';
import {
  batteries,
  batteriesOnInlet,
  DAY_MS,
  type Fault,
  graded,
  gradedLog,
  HOUR_MS,
  inletOf,
  inletPoint,
  inletSite,
  inlets,
  inletsInUse,
  legs,
  MINUTE_MS,
  service,
} from './fault.ts';

/** ANSI C84.1 service voltage, range A, as shares of nominal. */
const RANGE_A_LOW_PU = 0.95;
const RANGE_A_HIGH_PU = 1.05;
/** A broken neutral can be seen when the legs stand so far apart, V: ten to twenty times a meter's noise. */
const PARTS_V = 4;
/** How fast a circuit or a neutral gets worse. */
const RISE_MS = 2 * DAY_MS;

/** The lowest load over the cap that the meter can tell from one at the cap, and the highest, as shares of it. */
function overCapShare(spec: Parameters<Fault['apply']>[1], site: Parameters<Fault['apply']>[2]): number {
  return graded(spec, 1.01 + (2 * site.meter.accuracyPct) / 100, 1.6);
}

function capWatts(site: Parameters<Fault['apply']>[2], subject: string): number {
  const { capAmps, capWatts: watts } = inletSite(site, subject);
  return Math.min(watts, capAmps * site.service.nominalVolts);
}

const isOverCap: Fault['shows'] = (world, { subject }) => {
  const { capAmps, capWatts: watts } = inletSite(world.site, subject);
  const point = inletPoint(world, subject);
  return point.currentA > capAmps * 1.01 || Math.abs(point.powerW) > watts * 1.01;
};

export const inletOverCap: Fault = {
  severity: '0: just beyond the meter’s accuracy over the cap, 1: 160 % of it, whenever the battery charges',
  subjects: inletsInUse,
  tells: ({ subject }) => [{ kind: 'inlet-over-cap', subject }],
  // A load over the cap that stays for hours is a continuous one over 80 % of the breaker as well.
  fair: ({ subject }) => [{ kind: 'inlet-continuous-load', subject }],
  apply(conditions, spec, site) {
    const onInlet = batteriesOnInlet(conditions, site, spec.subject);
    const chargeW = (overCapShare(spec, site) * capWatts(site, spec.subject)) / onInlet.length;
    for (const battery of onInlet) battery.chargeW = chargeW;
  },
  shows: isOverCap,
};

export const inletOverCapForeignLoad: Fault = {
  severity:
    '0: just beyond the meter’s accuracy over the cap, 1: 160 % of it, all the time, without the battery',
  subjects: inlets,
  tells: ({ subject }) => [{ kind: 'inlet-over-cap', subject }],
  fair: ({ subject }) => [{ kind: 'inlet-continuous-load', subject }],
  apply(conditions, spec, site) {
    // A heater takes less than its rating when the voltage is low.
    inletOf(conditions, spec.subject).foreignW =
      1.03 * overCapShare(spec, site) * capWatts(site, spec.subject);
    for (const battery of batteriesOnInlet(conditions, site, spec.subject)) battery.held = true;
  },
  shows: isOverCap,
};

/** NEC article 100: three hours and more are continuous; 210.20(A): at most 80 % of the breaker. */
export const inletContinuousLoad: Fault = {
  severity: '0: 86 % of the breaker’s rating for hours, 1: 97 % of the cap',
  subjects: (site) =>
    inlets(site).filter((subject) => {
      const { breakerAmps, capAmps, capWatts: watts } = inletSite(site, subject);
      return Math.min(capAmps, watts / site.service.nominalVolts) > 0.95 * breakerAmps;
    }),
  tells: ({ subject }) => [{ kind: 'inlet-continuous-load', subject }],
  // What a battery on the breaker's other inlet draws besides is too much for the breaker.
  fair: ({ subject }, site) =>
    onBreakerOf(site, subject).map((other) => ({ kind: 'inlet-over-cap', subject: other }) as const),
  // The battery is switched off before something else is plugged in: both together would be over the cap.
  leadMs: MINUTE_MS,
  apply(conditions, spec, site, atMs) {
    const volts = site.service.nominalVolts;
    const { breakerAmps } = inletSite(site, spec.subject);
    if (atMs >= spec.onsetMs) {
      inletOf(conditions, spec.subject).foreignW = graded(
        spec,
        0.86 * breakerAmps * volts,
        0.93 * Math.min(breakerAmps * volts, capWatts(site, spec.subject)),
      );
    }
    for (const battery of batteriesOnInlet(conditions, site, spec.subject)) battery.held = true;
  },
  // On a leg that an open neutral has taken the voltage of, it is none any more.
  shows: (world, { onsetMs, subject }) =>
    world.atMs >= onsetMs + 3 * HOUR_MS &&
    inletPoint(world, subject).currentA >= 0.8 * inletSite(world.site, subject).breakerAmps,
};

/** The inlets on the breaker of this one, where it is shared; else none. */
function onBreakerOf(site: Parameters<Fault['apply']>[2], subject: string): string[] {
  const { breaker } = inletSite(site, subject);
  const sharing = inlets(site).filter((other) => inletSite(site, other).breaker === breaker);
  return breaker === null || sharing.length < 2 ? [] : sharing;
}

/**
 * Held against the table, which is for copper at 75 Cel: a circuit in a cool wall may lose contact by as much as
 * it is better than that, and only its own history shows it.
 */
export const inletCircuitResistance: Fault = {
  severity: '0: 25 W of heat at the cap beyond the table’s conductors, 1: 120 W; it rises over two days',
  subjects: inletsInUse,
  tells: ({ subject }) => [{ kind: 'inlet-circuit-resistance', subject }],
  growsForMs: RISE_MS,
  apply(conditions, spec, site, atMs) {
    const amps = capWatts(site, spec.subject) / site.service.nominalVolts;
    const risen = Math.min(1, (atMs - spec.onsetMs) / RISE_MS);
    const beyondOhm = gradedLog(spec, 25, 120) / amps ** 2;
    inletOf(conditions, spec.subject).extraOhm = risen * (beyondOhm + coolerOhm(site, spec.subject));
  },
  shows(world, spec) {
    const { site, conditions } = world;
    const amps = capWatts(site, spec.subject) / site.service.nominalVolts;
    const beyondOhm = inletOf(conditions, spec.subject).extraOhm - coolerOhm(site, spec.subject);
    return beyondOhm * amps ** 2 > 15 && inletPoint(world, spec.subject).currentA > 3;
  },
};

/** What the table's conductors have more than those in the wall. */
function coolerOhm(site: Parameters<Fault['apply']>[2], subject: string): number {
  const inlet = inletSite(site, subject);
  const tableOhm = loopResistanceOhm(copperOhmPerKft(inlet.conductorAwg, 'stranded'), inlet.oneWayFeet);
  return tableOhm - wallCopperOhm(inlet);
}

/**
 * The legs part, and a battery on one leg sees its voltage move with the other's load: beyond what its inverter bears
 * it takes no charge.
 */
const openNeutralFair: NonNullable<Fault['fair']> = (_, site) => [
  ...legs().map((subject) => ({ kind: 'voltage-out-of-range', subject }) as const),
  ...inlets(site).map((subject) => ({ kind: 'inlet-circuit-resistance', subject }) as const),
  ...batteries(site).map((subject) => ({ kind: 'storm-charge-stalled', subject }) as const),
];

/**
 * A neutral that broke: the current finds its way back through the ground electrodes, if at all. What current flows
 * in it moves the panel's neutral by the drop over it, one leg up and the other down. Reactive current moves it at
 * right angles to both legs, which then rise alike, by next to nothing: no RMS voltage shows that drop.
 */
export const openNeutral: Fault = {
  severity: '0: 0.6 ohm at once, 1: 15 ohm',
  subjects: service,
  tells: ({ subject }) => [{ kind: 'open-neutral', subject }],
  fair: openNeutralFair,
  apply(conditions, spec) {
    conditions.service.neutralExtraOhm = gradedLog(spec, 0.6, 15);
  },
  shows: ({ gridPresent, neutralA, conditions, l1, l2 }) =>
    gridPresent &&
    neutralA * conditions.service.neutralExtraOhm > PARTS_V / 2 &&
    Math.abs(l1.voltageV - l2.voltageV) > PARTS_V,
  // A load that runs for a moment is in one reading of a meter, of which nothing is told.
  showsForMs: 15_000,
};

/** A neutral that works loose: its resistance grows from a contact's to that of an open one. */
export const openNeutralSlow: Fault = {
  severity: '0: to 0.5 ohm, 1: to 3 ohm, within two days',
  subjects: service,
  tells: ({ subject }) => [{ kind: 'open-neutral', subject }],
  fair: openNeutralFair,
  growsForMs: RISE_MS,
  apply(conditions, spec, _site, atMs) {
    const risen = Math.min(1, (atMs - spec.onsetMs) / RISE_MS);
    const startOhm = 0.01;
    conditions.service.neutralExtraOhm = startOhm * (gradedLog(spec, 0.5, 3) / startOhm) ** risen;
  },
  shows: (world) => world.gridPresent && world.conditions.service.neutralExtraOhm > 0.3 && world.neutralA > 3,
};

export const voltageOutOfRange: Fault = {
  severity: 'below 0.5 too low, by 8 V at 0; above it too high, by 6 V at 1; least at 0.5',
  subjects: service,
  tells: () => legs().map((subject) => ({ kind: 'voltage-out-of-range', subject })),
  apply(conditions, spec, site) {
    const nominalV = site.service.nominalVolts;
    // The healthy source wanders between 1.0 and 1.03 of nominal and loses up to 2 V to the service.
    conditions.service.sourceShiftV =
      spec.severity < 0.5
        ? -(0.065 * nominalV + 8 * (0.5 - spec.severity) * 2)
        : 0.068 * nominalV + 6 * (spec.severity - 0.5) * 2;
  },
  shows: (world) =>
    [world.l1, world.l2].every(({ voltageV }) => {
      const pu = voltageV / world.site.service.nominalVolts;
      return world.gridPresent && (pu < RANGE_A_LOW_PU || pu > RANGE_A_HIGH_PU);
    }),
  // Range A is for values of 10 min by the clock (IEC 61000-4-30), of which a whole one lies in twice that.
  showsForMs: 20 * MINUTE_MS,
};

/** With the grid away the unit feeds the panel through its inlet: the transfer relay did not open. */
export const backfeedInOutage: Fault = {
  severity: '0: 80 W, 1: 1500 W',
  subjects: inletsInUse,
  tells: ({ subject }) => [{ kind: 'backfeed-in-outage', subject }],
  // It empties itself into the panel, in an outage.
  fair: (_, site) =>
    batteries(site).flatMap((subject) => [
      { kind: 'reserve-forecast', subject } as const,
      { kind: 'reserve-low', subject } as const,
    ]),
  outage: ({ onsetMs, endMs }) => ({ fromMs: onsetMs, toMs: endMs ?? onsetMs + HOUR_MS }),
  apply(conditions, spec, site) {
    const onInlet = batteriesOnInlet(conditions, site, spec.subject);
    const cap = 0.95 * capWatts(site, spec.subject);
    for (const battery of onInlet) {
      battery.backfeedW = Math.min(gradedLog(spec, 80, 1500), cap) / onInlet.length;
    }
  },
  shows: (world, { subject }) => !world.gridPresent && inletPoint(world, subject).powerW < -50,
};
