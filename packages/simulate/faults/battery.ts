// Cells that hold less, lose more or run hotter than they should.

import {
  batteries,
  batteryOf,
  batteryPoint,
  DAY_MS,
  type Fault,
  graded,
  kindsOf,
  MINUTE_MS,
  siteBattery,
} from './fault.ts';

/** A swing of the gauge by 30 points at the least, of what the worst of these cells hold and more. */
const SWING_SHARE = 0.35;

export const batteryEnergyMismatch: Fault = {
  severity: 'below 0.5 the capacity is down to 72 (0) to 50 %, else the efficiency to 66 (0.5) to 52 % (1)',
  subjects: batteries,
  tells: ({ subject }) => kindsOf(subject, 'battery-energy-mismatch'),
  apply(conditions, spec, site) {
    const battery = batteryOf(conditions, site, spec.subject);
    if (spec.severity < 0.5) battery.capacityShare = 0.72 - 0.44 * spec.severity;
    else battery.efficiencyShare = Math.sqrt(0.66 - 0.28 * (spec.severity - 0.5)) / 0.94;
  },
  // Of a battery that does not cycle nothing can be known.
  shows(world, { subject, onsetMs }) {
    const { capacityWh } = siteBattery(world.site, subject);
    return (
      world.atMs > onsetMs + DAY_MS && batteryPoint(world, subject).periodOutWh > SWING_SHARE * capacityWh
    );
  },
};

export const batteryHot: Fault = {
  severity: '0: 40 Cel above what its load explains, 1: 55 Cel; most of it within half an hour',
  subjects: batteries,
  tells: ({ subject }) => kindsOf(subject, 'battery-hot'),
  apply(conditions, spec, site) {
    batteryOf(conditions, site, spec.subject).tempShiftC = graded(spec, 40, 55);
  },
  shows: (world, { onsetMs }) => world.atMs > onsetMs + 15 * MINUTE_MS,
};
