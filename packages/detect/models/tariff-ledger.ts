// What each battery took from the grid and fed in the present tariff period, and how the last of each kind of
// period ended. Charging counts only where nothing but the schedule asks for it: not while a storm is prepared
// for, and not up to the reserve. Nothing counts in an outage.

import { advanceEnergy, emptyEnergyCount } from '@afterwatt/electrical';
import { type BatteryReading, type Site, TARIFF_PERIODS, type TariffPeriod } from '@afterwatt/wire';
import { z } from 'zod';
import { batteryOf } from '../backup-time.ts';
import type { Model, SiteView } from '../site-view.ts';
import { rounded } from '../wording.ts';

/** A meter reading older than this does not say what is imported now. */
const FRESH_MS = 60_000;
/** A unit that restores its reserve charges a little beyond it, so that it need not begin again at once. */
const RESERVE_MARGIN_PCT = 3;
/** A power is taken to hold for five times this between readings, where the device is registered as faster. */
const LEAST_PERIOD_MS = 20_000;
/** Below this it is standby, not charging or feeding (common practice: inverters idle at 10 to 30 W). */
const STANDBY_W = 30;

const countSchema = z.object({
  begun: z.boolean(),
  lastAtMs: z.number(),
  lastPowerW: z.number(),
  positiveWh: z.number(),
  negativeWh: z.number(),
  coveredMs: z.number(),
  gapMs: z.number(),
});

const endedSchema = z.object({
  chargedWh: z.number(),
  fedWh: z.number(),
  /** The part of the period that readings cover, 0 to 1. */
  coveredShare: z.number(),
});

const pageSchema = z.object({
  startMs: z.number(),
  endMs: z.number(),
  period: z.enum(TARIFF_PERIODS),
  /** Positive = charged, negative = fed. */
  count: countSchema,
  /** When it first charged and fed in this period; null before. */
  chargeSinceMs: z.number().nullable(),
  feedSinceMs: z.number().nullable(),
  /** The last period of each kind that has ended, in the order of TARIFF_PERIODS. */
  ended: z.array(endedSchema.nullable()),
});

const schema = z.object({ pages: z.record(z.string(), pageSchema) });

export type LedgerPage = z.infer<typeof pageSchema>;
export type EndedPeriod = z.infer<typeof endedSchema>;
export type TariffLedgerState = z.infer<typeof schema>;

export const tariffLedgerModel: Model<TariffLedgerState> = {
  state: schema,
  start: () => ({ pages: {} }),
  observe(state, event, view) {
    if (event.kind !== 'battery' || view.calendar === null || event.acW === null) return;
    const page = pageAt(state, event.device, view, event.at);
    if (page === undefined) return;
    const powerW = countedW(event, view, event.acW);
    if (powerW > 0) page.chargeSinceMs ??= event.at;
    if (powerW < 0) page.feedSinceMs ??= event.at;
    const { periodSeconds } = batteryOf(view.site, event.device);
    const periodMs = Math.max(LEAST_PERIOD_MS, 1000 * (event.periodS ?? periodSeconds));
    advanceEnergy(page.count, event.at, powerW, periodMs);
  },
};

/** The page of the period that holds at a reading; undefined for one from before the present period. */
function pageAt(
  state: TariffLedgerState,
  device: string,
  view: SiteView,
  at: number,
): LedgerPage | undefined {
  const page = state.pages[device];
  if (page !== undefined && at < page.endMs) return at >= page.startMs ? page : undefined;
  const priced = view.calendar?.periodAt(at);
  if (priced === undefined) return undefined;
  const { startMs, endMs, period } = priced;
  const next: LedgerPage = {
    startMs,
    endMs,
    period,
    count: emptyEnergyCount(),
    chargeSinceMs: null,
    feedSinceMs: null,
    ended: TARIFF_PERIODS.map((kind, place) =>
      kind === page?.period ? endOf(page) : (page?.ended[place] ?? null),
    ),
  };
  state.pages[device] = next;
  return next;
}

function endOf({ count, startMs, endMs }: LedgerPage): EndedPeriod {
  return {
    chargedWh: rounded(count.positiveWh, 1),
    fedWh: rounded(count.negativeWh, 1),
    coveredShare: rounded(count.coveredMs / (endMs - startMs), 2),
  };
}

/** The part of a battery's power that its schedule answers for, W, positive = charging from the grid. */
function countedW(reading: BatteryReading, view: SiteView, acW: number): number {
  if (view.grid.present === false || reading.gridPresent === false || Math.abs(acW) < STANDBY_W) return 0;
  if (acW <= 0) return acW;
  if (reading.at < view.storm.inForceUntilMs || reading.stormPreparing === true) return 0;
  // The unit's own setting asks for charge as well; that it differs is reserve-setting's to tell.
  const reservePct = Math.max(batteryOf(view.site, reading.device).reservePct, reading.reservePct ?? 0);
  if (reading.socPct !== null && reading.socPct < reservePct + RESERVE_MARGIN_PCT) return 0;
  return view.site.service.otherGeneration ? Math.min(acW, importW(view, reading.at)) : acW;
}

/** What the site takes from the grid, W, 0 and up; without limit when the meter does not say. */
function importW({ meter }: SiteView, at: number): number {
  if (meter === null || meter.l1W === null || meter.l2W === null || at - meter.at > FRESH_MS) {
    return Number.POSITIVE_INFINITY;
  }
  return Math.max(0, meter.l1W + meter.l2W);
}

/** Batteries under a tariff: the subjects of the tariff's detectors. */
export function batteriesUnderTariff(site: Site): readonly string[] {
  return site.tariff === null ? [] : site.batteries.map((battery) => battery.device);
}

/**
 * How the last ended period of a kind went, where enough of it was heard to say so.
 * @returns undefined while none has ended, or when less than half of it was heard
 */
export function lastEnded(page: LedgerPage, period: TariffPeriod): EndedPeriod | undefined {
  const ended = page.ended[TARIFF_PERIODS.indexOf(period)] ?? null;
  return ended === null || ended.coveredShare < 0.5 ? undefined : ended;
}
