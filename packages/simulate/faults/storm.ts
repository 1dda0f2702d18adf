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
  MINUTE_MS,
  siteBattery,
} from './fault.ts';
import { TARIFF_KINDS } from './tariff.ts';

/** Power below which a battery is at rest, W. */
const RESTING_W = 30;
/** Less than this it does not charge but stands still, W. */
const SLOWEST_CHARGE_W = 2 * RESTING_W;
/** A unit that was full tops up only some points below it, and rests until then. */
const AS_GOOD_AS_FULL_PCT = 5;
/** Behind is who misses the target by more than this, points. */
const BEHIND_PCT = 5;
/** Feeding is no accident of a minute when what is left above the reserve lasts this long. */
const FEEDS_ON_H = 0.4;

const WARNING_H = 8;

/** Storm faults need a battery that the tariff has emptied before. */
const withStorm: Fault['subjects'] = (site) =>
  site.storm.enabled && hasPeriod(site, 'peak') ? batteries(site) : [];

export const stormChargeStalled: Fault = {
  severity: '0: 12 h of warning, 1: 6 h; the battery takes nothing',
  subjects: withStorm,
  leadMs: DAY_MS,
  tells: ({ subject }) => kindsOf(subject, 'storm-charge-stalled'),
  // What takes nothing also arrives never.
  fair: ({ subject }) => kindsOf(subject, 'storm-charge-behind'),
  alert: (spec) => stormAlert(spec, graded(spec, 12, 6)),
  apply(conditions, spec, site) {
    batteryOf(conditions, site, spec.subject).chargeRefused = true;
  },
  shows: (world, { subject }) =>
    world.storm === 'preparing' &&
    batteryPoint(world, subject).socPct <= world.site.storm.targetPct - AS_GOOD_AS_FULL_PCT &&
    batteryPoint(world, subject).acW < RESTING_W,
};

export const stormChargeBehind: Fault = {
  severity: '0: reaches two thirds of what is missing by the onset, 1: a quarter',
  subjects: withStorm,
  leadMs: DAY_MS,
  tells: ({ subject }) => kindsOf(subject, 'storm-charge-behind'),
  alert: (spec) => stormAlert(spec, WARNING_H),
  apply(conditions, spec, site, atMs) {
    const battery = batteryOf(conditions, site, spec.subject);
    const { reservePct, capacityWh } = siteBattery(site, spec.subject);
    // Emptied in the peak, and not refilled before the alert.
    if (atMs < spec.onsetMs) battery.drainToPct = reservePct + 3;
    const missingWh = (capacityWh * (site.storm.targetPct - reservePct)) / 100 / 0.945;
    battery.stormChargeW = Math.max(SLOWEST_CHARGE_W, (graded(spec, 0.67, 0.25) * missingWh) / WARNING_H);
  },
  // A battery that was not emptied before may arrive in time even so: then nothing is wrong.
  shows(world, { subject, onsetMs }) {
    const { socPct, acW } = batteryPoint(world, subject);
    const { capacityWh } = siteBattery(world.site, subject);
    const hoursLeft = (onsetMs + WARNING_H * HOUR_MS - world.atMs) / HOUR_MS;
    const reachedPct = socPct + (100 * acW * hoursLeft) / capacityWh;
    const isBehind = reachedPct < world.site.storm.targetPct - BEHIND_PCT;
    return world.storm === 'preparing' && acW > RESTING_W && isBehind;
  },
};

export const stormDischarging: Fault = {
  severity: '0: feeds 120 W, 1: 800 W, while it should be preparing',
  subjects: withStorm,
  leadMs: DAY_MS,
  tells: ({ subject }) => kindsOf(subject, 'storm-discharging'),
  // It neither charges nor arrives, and may feed in periods in which the tariff says not to.
  fair: ({ subject }) => kindsOf(subject, 'storm-charge-stalled', 'storm-charge-behind', ...TARIFF_KINDS),
  alert: (spec) => stormAlert(spec, 10),
  apply(conditions, spec, site, atMs) {
    const battery = batteryOf(conditions, site, spec.subject);
    const { capacityWh } = siteBattery(site, spec.subject);
    // What it has left must last for a while.
    if (atMs < spec.onsetMs) battery.held = true;
    battery.stormFeedW = Math.min(graded(spec, 120, 800), 0.2 * capacityWh);
  },
  // It stops at its reserve, and what feeds from above the target has not failed to prepare yet.
  shows(world, { subject }) {
    const { socPct, acW } = batteryPoint(world, subject);
    const { capacityWh, reservePct } = siteBattery(world.site, subject);
    const lastsH = (((socPct - reservePct - 1) / 100) * capacityWh) / Math.max(1, -acW);
    const feeds = acW < -RESTING_W && lastsH > FEEDS_ON_H && socPct < world.site.storm.targetPct;
    return world.storm === 'preparing' && feeds;
  },
  // A unit at the edge of the voltage that its inverter bears feeds for a moment now and then.
  showsForMs: MINUTE_MS,
};

function stormAlert(spec: FaultSpec, leadHours: number): SiteAlert {
  const onsetMs = spec.onsetMs + leadHours * HOUR_MS;
  return { sentMs: spec.onsetMs, onsetMs, expiresMs: Math.max(onsetMs + 12 * HOUR_MS, spec.endMs ?? 0) };
}
