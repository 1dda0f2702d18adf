// A reserve that is not kept, not as it was asked for, or runs down in an outage.

import {
  batteries,
  batteryOf,
  batteryPoint,
  type Fault,
  graded,
  HOUR_MS,
  kindsOf,
  siteBattery,
} from './fault.ts';

export const reserveLow: Fault = {
  severity: '0: down to 2.5 points below the reserve, 1: to 15 points below',
  subjects: (site) => site.batteries.filter((b) => b.reservePct >= 8).map(({ device }) => device),
  tells: ({ subject }) => kindsOf(subject, 'reserve-low'),
  apply(conditions, spec, site) {
    const { reservePct } = siteBattery(site, spec.subject);
    batteryOf(conditions, site, spec.subject).drainToPct = Math.max(2, reservePct - graded(spec, 2.5, 15));
  },
  shows: (world, { subject }) =>
    world.gridPresent &&
    batteryPoint(world, subject).socPct <= siteBattery(world.site, subject).reservePct - 1,
};

/** A long outage: not a fault of the installation, but the household has to know when its battery runs down. */
export const reserveForecast: Fault = {
  severity: '0: an outage of 14 h at 200 W beyond the usual, 1: of 24 h at 500 W',
  subjects: batteries,
  tells: ({ subject }) => kindsOf(subject, 'reserve-forecast'),
  // The outage goes on until the reserve is reached, and other units of the home run down as well.
  fair: (_, site) =>
    batteries(site).flatMap((subject) => kindsOf(subject, 'reserve-low', 'reserve-forecast')),
  outage: (spec) => ({
    fromMs: spec.onsetMs,
    toMs: spec.endMs ?? spec.onsetMs + graded(spec, 14, 24) * HOUR_MS,
  }),
  apply(conditions, spec, site) {
    batteryOf(conditions, site, spec.subject).backupExtraW = graded(spec, 200, 500);
  },
  // By the load that is sure: what the house takes besides comes and goes. What stands at its reserve as the outage
  // begins, by two steps of a gauge, has nothing to be forecast: it is low.
  shows(world, spec) {
    const { reservePct, capacityWh } = siteBattery(world.site, spec.subject);
    const abovePct = batteryPoint(world, spec.subject).socPct - reservePct;
    const aboveWh = (abovePct / 100) * capacityWh;
    return !world.gridPresent && abovePct > 2 && aboveWh < 2 * graded(spec, 200, 500);
  },
};

export const reserveSetting: Fault = {
  severity: 'below 0.5 the unit keeps 10 to 40 points more, else less, down to 3 per cent',
  subjects: batteries,
  tells: ({ subject }) => kindsOf(subject, 'reserve-setting'),
  // A unit that was told to keep less feeds below what the site asks for.
  fair: ({ subject }) => kindsOf(subject, 'reserve-low'),
  apply(conditions, spec, site) {
    const { reservePct } = siteBattery(site, spec.subject);
    batteryOf(conditions, site, spec.subject).reservePct =
      spec.severity < 0.5
        ? Math.min(90, Math.round(reservePct + 10 + 60 * spec.severity))
        : Math.round(Math.max(3, reservePct - 4 - 30 * (spec.severity - 0.5)));
  },
  shows: () => true,
};
