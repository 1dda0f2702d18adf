import type { Tariff, TariffPeriod, TariffSeason, TariffSpan } from '@afterwatt/wire';
import { DAY_MS, MINUTE_MS, type ZoneClock, zoneClock } from './zone-clock.ts';

/** A stretch of time at one price: [startMs, endMs), milliseconds since the Unix epoch. */
export type PricedPeriod = {
  period: TariffPeriod;
  startMs: number;
  endMs: number;
  /** The name of the season it lies in. */
  season: string;
  /** Price of one kWh in the tariff's currency. */
  rate: number;
};

/** A tariff laid onto the time line of one zone. It holds nothing but caches: make it anew from the tariff. */
export type TariffCalendar = {
  timeZone: string;
  /** The period that holds at an instant. Costs next to nothing while instants come roughly in order. */
  periodAt(atMs: number): PricedPeriod;
  /** The periods that meet [fromMs, toMs), in order and whole: the first and last may reach beyond it. */
  periodsBetween(fromMs: number, toMs: number): PricedPeriod[];
  /** The instant at which the local day of an instant began. */
  localDayStart(atMs: number): number;
};

/** The season and the spans of one local day. */
type DayPlan = { season: string; changes: readonly DayChange[] };
type DayChange = { minute: number; period: TariffPeriod };
/** A change of price on the time line. `flat`: its day knows one price only. */
type Change = { startMs: number; period: TariffPeriod; season: string; flat: boolean };

/** How many local days keep their periods: today's, and those that late readings ask about. */
const CACHED_DAYS = 8;

/**
 * Lays a tariff onto the time line. Every instant lies in exactly one period.
 *
 * - A change takes effect at the first instant at which the site's clock shows its time or a later one: where
 *   the clock is put forward over it, at the end of the gap; where the clock is put back and shows the time
 *   twice, at the first occurrence. A span that lies inside the gap does not happen on that day.
 * - Holidays follow the weekend's plan.
 * - A period that goes on over midnight, such as off-peak from 21:00 to 16:00, is one period. A day with one
 *   price only stands alone from midnight to midnight, so no period is longer than two days, and a season
 *   begins a new one.
 *
 * @param tariff as checked by the site's schema: days without gap or overlap, seasons that cover the year
 * @param timeZone IANA name
 */
export function compileCalendar(tariff: Tariff, timeZone: string): TariffCalendar {
  const clock = zoneClock(timeZone);
  const planOfDay = compileDayPlans(tariff);
  const days = new Map<number, readonly PricedPeriod[]>();
  let current: PricedPeriod | undefined;

  function periodsOfDay(day: number): readonly PricedPeriod[] {
    const known = days.get(day);
    if (known !== undefined) return known;
    const periods = layOutDay(day, clock, planOfDay, tariff);
    if (days.size >= CACHED_DAYS) days.clear();
    days.set(day, periods);
    return periods;
  }

  function periodAt(atMs: number): PricedPeriod {
    if (current !== undefined && atMs >= current.startMs && atMs < current.endMs) return current;
    const found = periodsOfDay(clock.dayNumber(atMs)).find((p) => atMs >= p.startMs && atMs < p.endMs);
    if (found === undefined) throw new Error(`no period of the tariff holds at ${atMs} in ${timeZone}`);
    current = found;
    return found;
  }

  return {
    timeZone,
    periodAt,
    periodsBetween(fromMs, toMs) {
      const periods: PricedPeriod[] = [];
      for (let at = fromMs; at < toMs; ) {
        const period = periodAt(at);
        periods.push(period);
        at = period.endMs;
      }
      return periods;
    },
    localDayStart: clock.localDayStart,
  };
}

function compileDayPlans(tariff: Tariff): (day: number) => DayPlan {
  const holidays = new Set(tariff.holidays);
  const seasons = tariff.seasons.map((season) => ({
    season,
    weekday: { season: season.name, changes: changesOf(season.weekday) },
    weekend: { season: season.name, changes: changesOf(season.weekend) },
  }));

  return (day) => {
    const midnight = new Date(day * DAY_MS); // UTC's calendar serves as a plain one
    const date = midnight.toISOString().slice(0, 10);
    const weekday = midnight.getUTCDay();
    const found = seasons.find(({ season }) => isInSeason(date.slice(5), season));
    if (found === undefined) throw new Error(`the tariff has no season for ${date}`);
    const weekend = weekday === 0 || weekday === 6 || holidays.has(date);
    return weekend ? found.weekend : found.weekday;
  };
}

/** Where the price changes within a day. Spans that follow each other at the same price are one. */
function changesOf(spans: readonly TariffSpan[]): DayChange[] {
  const changes: DayChange[] = [];
  for (const span of spans) {
    if (changes.at(-1)?.period === span.period) continue;
    changes.push({ minute: minuteOfDay(span.from), period: span.period });
  }
  return changes;
}

function minuteOfDay(hhmm: string): number {
  return Number(hhmm.slice(0, 2)) * 60 + Number(hhmm.slice(3));
}

/** All are MM-DD, so they compare as text. A season whose `from` is after its `to` runs over the year's end. */
function isInSeason(date: string, { from, to }: TariffSeason): boolean {
  return from <= to ? from <= date && date <= to : from <= date || date <= to;
}

/**
 * The periods that meet one local day. Two days on either side are laid out with it: a period of this day may
 * begin the day before and end the day after, and a zone that crosses the date line loses a whole day.
 */
function layOutDay(
  day: number,
  clock: ZoneClock,
  planOfDay: (day: number) => DayPlan,
  tariff: Tariff,
): PricedPeriod[] {
  const changes: Change[] = [];
  for (let d = day - 2; d <= day + 2; d += 1) {
    const plan = planOfDay(d);
    for (const { minute, period } of plan.changes) {
      const startMs = clock.firstInstant(d * DAY_MS + minute * MINUTE_MS);
      appendChange(changes, { startMs, period, season: plan.season, flat: plan.changes.length === 1 });
    }
  }

  const dayStartMs = clock.dayStart(day);
  const dayEndMs = clock.dayStart(day + 1);
  const layoutEndMs = clock.dayStart(day + 3);
  const periods: PricedPeriod[] = [];
  for (const [index, { startMs, period, season }] of changes.entries()) {
    const endMs = changes[index + 1]?.startMs ?? layoutEndMs;
    if (endMs <= dayStartMs || startMs >= dayEndMs) continue;
    const rate = tariff.rates[period];
    if (rate === undefined) throw new Error(`the tariff has no rate for ${period}`);
    periods.push({ period, startMs, endMs, season, rate });
  }
  return periods;
}

/** Adds a change in time order: one that begins with its predecessor replaces it, one to the same price joins it. */
function appendChange(changes: Change[], change: Change): void {
  while (changes.at(-1)?.startMs === change.startMs) changes.pop();
  const last = changes.at(-1);
  const goesOn =
    last !== undefined &&
    last.period === change.period &&
    last.season === change.season &&
    !last.flat &&
    !change.flat;
  if (!goesOn) changes.push(change);
}
