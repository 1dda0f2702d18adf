// A schedule that works against the tariff. Most of it is settings; one is a clock.

import type { Site } from '@afterwatt/wire';
import {
  batteries,
  batteryOf,
  batteryPoint,
  type Fault,
  graded,
  HOUR_MS,
  hasPeriod,
  kindsOf,
  siteBattery,
} from './fault.ts';

export const TARIFF_KINDS = [
  'tariff-charge-in-peak',
  'tariff-discharge-in-super-off-peak',
  'tariff-off-peak-depth',
] as const;

/** More than 100 Wh in one period is wrong; instruments differ by some of the rest, and standby is in it. */
const CLEARLY_WH = 120;

export const tariffChargeInPeak: Fault = {
  severity: '0: a quarter of the capacity an hour, 1: half of it, for an hour in each peak',
  subjects: withPeriod('peak'),
  tells: ({ subject }) => kindsOf(subject, 'tariff-charge-in-peak'),
  apply(conditions, spec, site) {
    const { capacityWh, chargeLimitWatts } = siteBattery(site, spec.subject);
    batteryOf(conditions, site, spec.subject).peakChargeW = Math.min(
      chargeLimitWatts,
      graded(spec, 0.25, 0.5) * capacityWh,
    );
  },
  shows(world, { subject }) {
    const { periodInWh } = batteryPoint(world, subject);
    return world.calendar?.periodAt(world.atMs).period === 'peak' && periodInWh > CLEARLY_WH;
  },
};

export const tariffDischargeInSuperOffPeak: Fault = {
  severity: '0: feeds 200 W, 1: 900 W, for the first hour of each super off-peak',
  subjects: withPeriod('super-off-peak'),
  tells: ({ subject }) => kindsOf(subject, 'tariff-discharge-in-super-off-peak'),
  apply(conditions, spec, site) {
    batteryOf(conditions, site, spec.subject).superOffPeakFeedW = graded(spec, 200, 900);
  },
  shows: (world, { subject }) =>
    world.calendar?.periodAt(world.atMs).period === 'super-off-peak' &&
    batteryPoint(world, subject).periodOutWh > CLEARLY_WH,
};

export const tariffOffPeakDepth: Fault = {
  severity: '0: 8 points more than allowed in an off-peak period, 1: 35 points more',
  subjects: (site) =>
    hasPeriod(site, 'off-peak')
      ? site.batteries
          .filter(({ reservePct }) => 100 - reservePct > depthAllowedPct(site) + 20)
          .map(({ device }) => device)
      : [],
  tells: ({ subject }) => kindsOf(subject, 'tariff-off-peak-depth'),
  apply(conditions, spec, site) {
    batteryOf(conditions, site, spec.subject).offPeakDepthPct = depthAllowedPct(site) + graded(spec, 8, 35);
  },
  shows(world, { subject }) {
    const { capacityWh } = siteBattery(world.site, subject);
    const { periodOutWh } = batteryPoint(world, subject);
    return (
      world.calendar?.periodAt(world.atMs).period === 'off-peak' &&
      100 * periodOutWh > (depthAllowedPct(world.site) + 2) * capacityWh
    );
  },
};

/** A clock that was left at summer time, or set to another zone. */
export const tariffClockShift: Fault = {
  severity: 'from 0 on: an hour ahead, an hour behind, two ahead, three behind',
  subjects: withPeriod('peak'),
  tells: ({ subject }) => kindsOf(subject, 'tariff-clock-shift'),
  // Until the shift is known, what it does in each period is all there is to see.
  fair: ({ subject }) => kindsOf(subject, ...TARIFF_KINDS),
  apply(conditions, spec, site) {
    const hours = [1, -1, 2, -3][Math.min(3, Math.floor(4 * spec.severity))] ?? 1;
    batteryOf(conditions, site, spec.subject).scheduleShiftMs = hours * HOUR_MS;
  },
  // Only what it does shows when: one that does nothing in the peak may have a leg without load, or a line beyond
  // what its inverter bears.
  shows(world, { subject }) {
    const { periodInWh, periodOutWh } = batteryPoint(world, subject);
    const isPeak = world.calendar?.periodAt(world.atMs).period === 'peak';
    return (isPeak ? periodInWh : periodOutWh) > 50;
  },
};

function withPeriod(period: string): Fault['subjects'] {
  return (site) => (hasPeriod(site, period) ? batteries(site) : []);
}

function depthAllowedPct(site: Site): number {
  return site.tariff?.offPeakDepthPct ?? 20;
}
