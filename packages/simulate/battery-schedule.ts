// What a battery's own controller wants to do at one moment: follow the tariff, keep the reserve, prepare for
// storms. The faults of its settings act here.

import type { PricedPeriod, TariffCalendar } from '@afterwatt/tariff';
import type { Tariff } from '@afterwatt/wire';
import type { BatteryConditions } from './conditions.ts';

export interface ScheduleView {
  readonly atMs: number;
  /** A storm is announced and has not begun / is upon the home. */
  readonly storm: 'none' | 'preparing' | 'during';
  readonly targetPct: number;
  /** What the leg's other loads take now, W. */
  readonly houseLegW: number;
}

export interface UnitSettings {
  readonly chargeW: number;
  readonly feedW: number;
  /** Feeds just what its leg takes instead of a fixed power. */
  readonly followsLoad: boolean;
  readonly capacityWh: number;
}

/** Charging stops when full and begins again below this, per cent (common practice). */
const TOP_UP_BELOW_PCT = 97;
/** Feeding stops this far above the reserve, so that losses do not carry it below. */
const RESERVE_MARGIN_PCT = 1;
const RESTORED_PCT = 10;
/** State of charge from which the power is reduced, and to what share at full: constant voltage (IEC 62620 practice). */
const TAPER_FROM_PCT = 90;
const TAPER_END_SHARE = 0.1;
/** How long the wrong schedules of the tariff faults charge or feed in a period. */
const WRONG_CHARGE_AFTER_MS = 40 * 60_000;
const WRONG_CHARGE_UNTIL_MS = 100 * 60_000;
const WRONG_FEED_UNTIL_MS = 60 * 60_000;

export interface Schedule {
  /** Wanted AC power, W, positive = charging, apart from standby. */
  wantedW(socPct: number, view: ScheduleView, conditions: BatteryConditions): number;
}

export function startSchedule(
  settings: UnitSettings,
  tariff: Tariff | null,
  calendar: TariffCalendar | null,
): Schedule {
  const withSuperOffPeak = new Set(
    (tariff?.seasons ?? [])
      .filter((season) => [...season.weekday, ...season.weekend].some((s) => s.period === 'super-off-peak'))
      .map((season) => season.name),
  );
  let judged: { readonly period: PricedPeriod; readonly charges: boolean } | undefined;
  let charging = false;
  let feeding = false;
  let restoring = false;
  let depthPeriodMs = 0;
  let depthFromPct: number | null = null;

  function wantedW(socPct: number, view: ScheduleView, c: BatteryConditions): number {
    const { atMs, storm } = view;
    if (storm !== 'none' && c.stormFeedW > 0) {
      return isRestoring(socPct, c) ? charge(socPct, view.targetPct, c, c.stormChargeW) : -c.stormFeedW;
    }
    if (c.held) return 0;
    if (storm !== 'none') return charge(socPct, view.targetPct, c, c.stormChargeW);
    if (c.drainToPct !== null) return drain(socPct, atMs, c.drainToPct);
    if (socPct < c.reservePct - 0.5) return charge(socPct, c.reservePct + 2, c, null);
    if (calendar === null) return charge(socPct, 100, c, null);

    const period = calendar.periodAt(atMs + c.scheduleShiftMs);
    const elapsedMs = atMs + c.scheduleShiftMs - period.startMs;
    switch (period.period) {
      case 'peak':
        if (elapsedMs >= WRONG_CHARGE_AFTER_MS && elapsedMs < WRONG_CHARGE_UNTIL_MS && c.peakChargeW > 0) {
          return charge(socPct, 100, c, c.peakChargeW);
        }
        return feed(socPct, view.houseLegW, c);
      case 'mid-peak':
        return rest();
      case 'super-off-peak':
        if (elapsedMs < WRONG_FEED_UNTIL_MS && c.superOffPeakFeedW > 0 && !isRestoring(socPct, c)) {
          return -c.superOffPeakFeedW;
        }
        return charge(socPct, 100, c, null);
      case 'off-peak':
        if (c.offPeakDepthPct > 0 && feedsInOffPeak(period, socPct, c)) return -settings.feedW;
        return chargesInOffPeak(period) ? charge(socPct, 100, c, null) : rest();
    }
  }

  /** At its reserve it charges well above it before it feeds again: no unit does both by turns. */
  function isRestoring(socPct: number, { reservePct }: BatteryConditions): boolean {
    if (socPct <= reservePct + RESERVE_MARGIN_PCT) restoring = true;
    else if (socPct >= reservePct + RESTORED_PCT) restoring = false;
    return restoring;
  }

  /** Where the season has no super off-peak, and on days with one price, the off-peak is the time to charge. */
  function chargesInOffPeak(period: PricedPeriod): boolean {
    if (judged?.period === period) return judged.charges;
    const charges = !withSuperOffPeak.has(period.season) || period.endMs - period.startMs >= 20 * 3_600_000;
    judged = { period, charges };
    return charges;
  }

  /** Feeds once in an off-peak period, from a high state of charge down by the wrong depth. */
  function feedsInOffPeak(period: PricedPeriod, socPct: number, c: BatteryConditions): boolean {
    if (period.startMs !== depthPeriodMs) {
      depthPeriodMs = period.startMs;
      depthFromPct = null;
    }
    if (depthFromPct === null && socPct > Math.min(95, c.reservePct + c.offPeakDepthPct + 3))
      depthFromPct = socPct;
    if (depthFromPct === null) return false;
    if (socPct > depthFromPct - c.offPeakDepthPct && socPct > c.reservePct + 2) return true;
    // Once a period.
    depthFromPct = Number.POSITIVE_INFINITY;
    return false;
  }

  function rest(): number {
    charging = false;
    feeding = false;
    return 0;
  }

  function charge(socPct: number, toPct: number, c: BatteryConditions, powerW: number | null): number {
    feeding = false;
    if (socPct >= toPct) charging = false;
    else if (!charging) charging = socPct < Math.min(TOP_UP_BELOW_PCT, toPct);
    if (!charging || c.chargeRefused) return 0;
    const fullW = powerW ?? c.chargeW ?? settings.chargeW;
    if (socPct <= TAPER_FROM_PCT) return fullW;
    const reached = (socPct - TAPER_FROM_PCT) / (100 - TAPER_FROM_PCT);
    return Math.min(fullW, settings.chargeW * (1 - (1 - TAPER_END_SHARE) * reached));
  }

  function feed(socPct: number, houseLegW: number, c: BatteryConditions): number {
    charging = false;
    const stopPct = c.reservePct + RESERVE_MARGIN_PCT;
    feeding = feeding ? socPct > stopPct : socPct > stopPct + 3;
    if (!feeding) return 0;
    if (!settings.followsLoad) return -settings.feedW;
    return -Math.min(settings.feedW, Math.max(0, 0.97 * houseLegW - 20));
  }

  /**
   * Feeds in the peak as it should, but goes on below the reserve, and does not recharge; without a tariff it
   * trickles away.
   */
  function drain(socPct: number, atMs: number, toPct: number): number {
    rest();
    if (socPct <= toPct) return 0;
    if (calendar === null) return -0.025 * settings.capacityWh;
    return calendar.periodAt(atMs).period === 'peak' ? -settings.feedW : 0;
  }

  return { wantedW };
}
