// Faults of the battery and of what it was told to do: reserve, storm, tariff, energy, temperature.

import type { Site } from '@afterwatt/wire';
import type { FaultSpec, KindAndSubject, SiteAlert } from '../scenario.ts';
import type { World } from '../world.ts';
import {
  batteries,
  batteryOf,
  batteryPoint,
  DAY_MS,
  type Fault,
  graded,
  HOUR_MS,
  MINUTE_MS,
  siteBattery,
} from './fault.ts';

const TARIFF_KINDS = [
  'tariff-charge-in-peak',
  'tariff-discharge-in-super-off-peak',
  'tariff-off-peak-depth',
] as const;

/** Power below which a battery is at rest, W. */
const RESTING_W = 30;

function withPeriod(period: string): Fault['subjects'] {
  return (site) => (hasPeriod(site, period) ? batteries(site) : []);
}

function hasPeriod(site: Site, period: string): boolean {
  return (site.tariff?.seasons ?? []).some((season) =>
    [...season.weekday, ...season.weekend].some((span) => span.period === period),
  );
}

/** Storm faults need a battery that the tariff has emptied before. */
const withStorm: Fault['subjects'] = (site) =>
  site.storm.enabled && hasPeriod(site, 'peak') ? batteries(site) : [];

function stormAlert(spec: FaultSpec, leadHours: number): SiteAlert {
  const onsetMs = spec.onsetMs + leadHours * HOUR_MS;
  return { sentMs: spec.onsetMs, onsetMs, expiresMs: Math.max(onsetMs + 12 * HOUR_MS, spec.endMs ?? 0) };
}

function same(subject: string, ...kinds: readonly KindAndSubject['kind'][]): KindAndSubject[] {
  return kinds.map((kind) => ({ kind, subject }));
}

function isBelow(world: World, subject: string, pct: number): boolean {
  return batteryPoint(world, subject).socPct <= pct;
}

export const reserveLow: Fault = {
  severity: '0: down to 2.5 points below the reserve, 1: to 15 points below',
  subjects: (site) => site.batteries.filter((b) => b.reservePct >= 8).map(({ device }) => device),
  tells: ({ subject }) => same(subject, 'reserve-low'),
  apply(conditions, spec, site) {
    const { reservePct } = siteBattery(site, spec.subject);
    batteryOf(conditions, site, spec.subject).drainToPct = Math.max(2, reservePct - graded(spec, 2.5, 15));
  },
  shows: (world, { subject }) =>
    world.gridPresent && isBelow(world, subject, siteBattery(world.site, subject).reservePct - 1),
};

/** A long outage: not a fault of the installation, but the household has to know when its battery runs down. */
export const reserveForecast: Fault = {
  severity: '0: an outage of 14 h at 200 W beyond the usual, 1: of 24 h at 500 W',
  subjects: batteries,
  tells: ({ subject }) => same(subject, 'reserve-forecast'),
  fair: (_, site) => batteries(site).flatMap((subject) => same(subject, 'reserve-low', 'reserve-forecast')),
  outage: (spec) => ({
    fromMs: spec.onsetMs,
    toMs: spec.endMs ?? spec.onsetMs + graded(spec, 14, 24) * HOUR_MS,
  }),
  apply(conditions, spec, site) {
    batteryOf(conditions, site, spec.subject).backupExtraW = graded(spec, 200, 500);
  },
  shows(world, { subject }) {
    const { reservePct, capacityWh } = siteBattery(world.site, subject);
    const { socPct, acW } = batteryPoint(world, subject);
    const aboveReserveWh = ((socPct - reservePct) / 100) * capacityWh;
    return !world.gridPresent && aboveReserveWh < -acW * 2;
  },
};

export const reserveSetting: Fault = {
  severity: 'below 0.5 the unit keeps 10 to 40 points more, else less, down to 3 per cent',
  subjects: batteries,
  tells: ({ subject }) => same(subject, 'reserve-setting'),
  fair: ({ subject }) => same(subject, 'reserve-low'),
  apply(conditions, spec, site) {
    const { reservePct } = siteBattery(site, spec.subject);
    batteryOf(conditions, site, spec.subject).reservePct =
      spec.severity < 0.5
        ? Math.min(90, Math.round(reservePct + 10 + 60 * spec.severity))
        : Math.round(Math.max(3, reservePct - 4 - 30 * (spec.severity - 0.5)));
  },
  shows: () => true,
};

export const stormChargeStalled: Fault = {
  severity: '0: 12 h of warning, 1: 6 h; the battery takes nothing',
  subjects: withStorm,
  leadMs: DAY_MS,
  tells: ({ subject }) => same(subject, 'storm-charge-stalled'),
  fair: ({ subject }) => same(subject, 'storm-charge-behind'),
  alert: (spec) => stormAlert(spec, graded(spec, 12, 6)),
  apply(conditions, spec, site) {
    batteryOf(conditions, site, spec.subject).chargeRefused = true;
  },
  shows: (world, { subject }) =>
    world.storm === 'preparing' &&
    isBelow(world, subject, world.site.storm.targetPct - 1) &&
    batteryPoint(world, subject).acW < RESTING_W,
};

export const stormChargeBehind: Fault = {
  severity: '0: reaches two thirds of what is missing by the onset, 1: a quarter',
  subjects: withStorm,
  leadMs: DAY_MS,
  tells: ({ subject }) => same(subject, 'storm-charge-behind'),
  alert: (spec) => stormAlert(spec, 8),
  apply(conditions, spec, site, atMs) {
    const battery = batteryOf(conditions, site, spec.subject);
    const { reservePct, capacityWh } = siteBattery(site, spec.subject);
    // Emptied by the tariff, and not refilled before the alert.
    if (atMs < spec.onsetMs) battery.chargeRefused = true;
    const missingWh = (capacityWh * (site.storm.targetPct - reservePct)) / 100 / 0.945;
    battery.stormChargeW = (graded(spec, 0.67, 0.25) * missingWh) / 8;
  },
  shows: (world, { subject }) => world.storm === 'preparing' && batteryPoint(world, subject).acW > RESTING_W,
};

export const stormDischarging: Fault = {
  severity: '0: feeds 120 W, 1: 800 W, while it should be preparing',
  subjects: withStorm,
  leadMs: DAY_MS,
  tells: ({ subject }) => same(subject, 'storm-discharging'),
  fair: ({ subject }) => same(subject, 'storm-charge-stalled', 'storm-charge-behind', ...TARIFF_KINDS),
  alert: (spec) => stormAlert(spec, 10),
  apply(conditions, spec, site, atMs) {
    const battery = batteryOf(conditions, site, spec.subject);
    const { capacityWh } = siteBattery(site, spec.subject);
    // What it has left must last for a while.
    if (atMs < spec.onsetMs) battery.held = true;
    battery.stormFeedW = Math.min(graded(spec, 120, 800), 0.3 * capacityWh);
  },
  shows: (world, { subject }) => world.storm === 'preparing' && batteryPoint(world, subject).acW < -RESTING_W,
};

export const tariffChargeInPeak: Fault = {
  severity: '0: a quarter of the capacity an hour, 1: half of it, for an hour in each peak',
  subjects: withPeriod('peak'),
  tells: ({ subject }) => same(subject, 'tariff-charge-in-peak'),
  apply(conditions, spec, site) {
    const { capacityWh, chargeLimitWatts } = siteBattery(site, spec.subject);
    batteryOf(conditions, site, spec.subject).peakChargeW = Math.min(
      chargeLimitWatts,
      graded(spec, 0.25, 0.5) * capacityWh,
    );
  },
  shows(world, { subject }) {
    const { periodInWh } = batteryPoint(world, subject);
    return world.calendar?.periodAt(world.atMs).period === 'peak' && periodInWh > 100;
  },
};

export const tariffDischargeInSuperOffPeak: Fault = {
  severity: '0: feeds 200 W, 1: 900 W, for the first hour of each super off-peak',
  subjects: withPeriod('super-off-peak'),
  tells: ({ subject }) => same(subject, 'tariff-discharge-in-super-off-peak'),
  apply(conditions, spec, site) {
    batteryOf(conditions, site, spec.subject).superOffPeakFeedW = graded(spec, 200, 900);
  },
  shows: (world, { subject }) =>
    world.calendar?.periodAt(world.atMs).period === 'super-off-peak' &&
    batteryPoint(world, subject).periodOutWh > 50,
};

export const tariffOffPeakDepth: Fault = {
  severity: '0: 8 points more than allowed in an off-peak period, 1: 35 points more',
  subjects: (site) =>
    hasPeriod(site, 'off-peak')
      ? site.batteries
          .filter(({ reservePct }) => 100 - reservePct > depthAllowedPct(site) + 20)
          .map(({ device }) => device)
      : [],
  tells: ({ subject }) => same(subject, 'tariff-off-peak-depth'),
  apply(conditions, spec, site) {
    batteryOf(conditions, site, spec.subject).offPeakDepthPct = depthAllowedPct(site) + graded(spec, 8, 35);
  },
  shows(world, { subject }) {
    const { capacityWh } = siteBattery(world.site, subject);
    const { periodOutWh } = batteryPoint(world, subject);
    return (
      world.calendar?.periodAt(world.atMs).period === 'off-peak' &&
      100 * periodOutWh > depthAllowedPct(world.site) * capacityWh
    );
  },
};

function depthAllowedPct(site: Site): number {
  return site.tariff?.offPeakDepthPct ?? 20;
}

/** A clock that was left at summer time, or set to another zone. */
export const tariffClockShift: Fault = {
  severity: 'from 0 on: an hour ahead, an hour behind, two ahead, three behind',
  subjects: withPeriod('peak'),
  tells: ({ subject }) => same(subject, 'tariff-clock-shift'),
  fair: ({ subject }) => same(subject, ...TARIFF_KINDS),
  apply(conditions, spec, site) {
    const hours = [1, -1, 2, -3][Math.min(3, Math.floor(4 * spec.severity))] ?? 1;
    batteryOf(conditions, site, spec.subject).scheduleShiftMs = hours * HOUR_MS;
  },
  shows(world, { subject }) {
    const period = world.calendar?.periodAt(world.atMs);
    const { periodInWh, periodOutWh, socPct } = batteryPoint(world, subject);
    if (period?.period !== 'peak') return periodOutWh > 50;
    const idle = world.atMs - period.startMs > 45 * MINUTE_MS && periodOutWh < 10 && socPct > 50;
    return periodInWh > 50 || idle;
  },
};

export const batteryEnergyMismatch: Fault = {
  severity: 'below 0.5 the capacity is down to 72 (0) to 50 %, else the efficiency to 66 (0.5) to 52 % (1)',
  subjects: batteries,
  tells: ({ subject }) => same(subject, 'battery-energy-mismatch'),
  apply(conditions, spec, site) {
    const battery = batteryOf(conditions, site, spec.subject);
    if (spec.severity < 0.5) battery.capacityShare = 0.72 - 0.44 * spec.severity;
    else battery.efficiencyShare = Math.sqrt(0.66 - 0.28 * (spec.severity - 0.5)) / 0.94;
  },
  shows: (world, { onsetMs }) => world.atMs > onsetMs + DAY_MS,
};

export const batteryHot: Fault = {
  severity: '0: 40 Cel above what its load explains, 1: 55 Cel; most of it within half an hour',
  subjects: batteries,
  tells: ({ subject }) => same(subject, 'battery-hot'),
  apply(conditions, spec, site) {
    batteryOf(conditions, site, spec.subject).tempShiftC = graded(spec, 40, 55);
  },
  shows: (world, { onsetMs }) => world.atMs > onsetMs + 15 * MINUTE_MS,
};
