// A battery that does not prepare for a storm as it should.

import type { FaultSpec, SiteAlert } from '../scenario.ts';
import {
  batteries,
  batteryOf,
  batteryPoint,
  DAY_MS,
  type Fault,
  graded,
  HOUR_MS,
  hasPeriod,
  kindsOf,
  siteBattery,
} from './fault.ts';
import { TARIFF_KINDS } from './tariff.ts';

/** Power below which a battery is at rest, W. */
const RESTING_W = 30;

/** Storm faults need a battery that the tariff has emptied before. */
const withStorm: Fault['subjects'] = (site) =>
  site.storm.enabled && hasPeriod(site, 'peak') ? batteries(site) : [];

export const stormChargeStalled: Fault = {
  severity: '0: 12 h of warning, 1: 6 h; the battery takes nothing',
  subjects: withStorm,
  leadMs: DAY_MS,
  tells: ({ subject }) => kindsOf(subject, 'storm-charge-stalled'),
  fair: ({ subject }) => kindsOf(subject, 'storm-charge-behind'),
  alert: (spec) => stormAlert(spec, graded(spec, 12, 6)),
  apply(conditions, spec, site) {
    batteryOf(conditions, site, spec.subject).chargeRefused = true;
  },
  shows: (world, { subject }) =>
    world.storm === 'preparing' &&
    batteryPoint(world, subject).socPct <= world.site.storm.targetPct - 1 &&
    batteryPoint(world, subject).acW < RESTING_W,
};

export const stormChargeBehind: Fault = {
  severity: '0: reaches two thirds of what is missing by the onset, 1: a quarter',
  subjects: withStorm,
  leadMs: DAY_MS,
  tells: ({ subject }) => kindsOf(subject, 'storm-charge-behind'),
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
  tells: ({ subject }) => kindsOf(subject, 'storm-discharging'),
  fair: ({ subject }) => kindsOf(subject, 'storm-charge-stalled', 'storm-charge-behind', ...TARIFF_KINDS),
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

function stormAlert(spec: FaultSpec, leadHours: number): SiteAlert {
  const onsetMs = spec.onsetMs + leadHours * HOUR_MS;
  return { sentMs: spec.onsetMs, onsetMs, expiresMs: Math.max(onsetMs + 12 * HOUR_MS, spec.endMs ?? 0) };
}
