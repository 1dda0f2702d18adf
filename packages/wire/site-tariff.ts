import { z } from 'zod';
import { strictObject } from './strict-object.ts';

/** The periods of a time-of-use tariff, dearest first. */
export const TARIFF_PERIODS = ['peak', 'mid-peak', 'off-peak', 'super-off-peak'] as const;
export type TariffPeriod = (typeof TARIFF_PERIODS)[number];

/** Days of each month in a leap year: a season plan has to know what 29 February costs. */
const DAYS_OF_MONTH = [31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31];

const monthDay = z.string('must be a string').refine(isMonthDay, {
  error: 'must be a day of the year as MM-DD, for example 06-01',
});

const spanSchema = strictObject({
  period: z.enum(TARIFF_PERIODS, { error: `must be one of ${TARIFF_PERIODS.join(', ')}` }),
  from: z.string('must be a string').regex(/^([01]\d|2[0-3]):[0-5]\d$/, {
    error: 'must be a time of day as HH:MM, 00:00 to 23:59',
  }),
  to: z.string('must be a string').regex(/^(([01]\d|2[0-3]):[0-5]\d|24:00)$/, {
    error: 'must be a time of day as HH:MM, 00:01 to 24:00',
  }),
});

/** One kind of day: spans in order, from 00:00 to 24:00, each beginning where the one before it ended. */
const dayPlanSchema = z
  .array(spanSchema, 'must be a list of { period, from, to }')
  .min(1, { error: 'must have at least one span: the whole day is { "from": "00:00", "to": "24:00" }' })
  .max(96, { error: 'must have at most 96 spans' })
  .superRefine((spans, context) => {
    let reached = '00:00';
    for (const [index, span] of spans.entries()) {
      if (span.from !== reached) {
        context.addIssue({
          code: 'custom',
          path: [index, 'from'],
          message: `must be ${reached}, where the span before it ended: a day has no gap and no overlap`,
        });
        return;
      }
      // Both are HH:MM, so they compare as text.
      if (span.to <= span.from) {
        context.addIssue({ code: 'custom', path: [index, 'to'], message: `must be later than ${span.from}` });
        return;
      }
      reached = span.to;
    }
    if (reached !== '24:00') {
      context.addIssue({
        code: 'custom',
        path: [spans.length - 1, 'to'],
        message: `must be 24:00: the day's last span ends at ${reached}`,
      });
    }
  });

const seasonSchema = strictObject({
  name: z
    .string('must be a string')
    .min(1, { error: 'must not be empty' })
    .max(80, { error: 'must be at most 80 characters' }),
  /** First and last day, both included; a season may run over the end of the year. */
  from: monthDay.default('01-01'),
  to: monthDay.default('12-31'),
  weekday: dayPlanSchema,
  weekend: dayPlanSchema.default([]),
}).overwrite((season) => (season.weekend.length > 0 ? season : { ...season, weekend: season.weekday }));

const rate = z
  .number('must be a number: the price of one kWh')
  .min(-100, { error: 'must be at least -100' })
  .max(100, {
    error: 'must be at most 100',
  });

/** A time-of-use tariff in the site's own local time. Rates are per kWh. */
export const tariffSchema = strictObject({
  currency: z
    .string('must be a string')
    .regex(/^[A-Z]{3}$/, { error: 'must be an ISO 4217 code such as USD' })
    .default('USD'),
  seasons: z
    .array(seasonSchema, 'must be a list of seasons')
    .min(1, { error: 'must have at least one season' })
    .max(24, { error: 'must have at most 24 seasons' }),
  rates: z.partialRecord(z.enum(TARIFF_PERIODS), rate, {
    error: `must be an object from period (${TARIFF_PERIODS.join(', ')}) to the price of one kWh`,
  }),
  holidays: z
    .array(z.iso.date({ error: 'must be a date as YYYY-MM-DD' }), 'must be a list of dates')
    .max(1000, { error: 'must have at most 1000 dates' })
    .default([]),
  offPeakDepthPct: z
    .number('must be a number of per cent')
    .min(0, { error: 'must be at least 0' })
    .max(100, { error: 'must be at most 100' })
    .default(20),
}).superRefine((tariff, context) => {
  const seasonIssue = findSeasonProblem(tariff.seasons);
  if (seasonIssue !== undefined)
    context.addIssue({ code: 'custom', path: ['seasons'], message: seasonIssue });
  const used = new Set(
    tariff.seasons.flatMap((s) => [...s.weekday, ...s.weekend].map((span) => span.period)),
  );
  for (const period of used) {
    if (tariff.rates[period] === undefined) {
      context.addIssue({
        code: 'custom',
        path: ['rates', period],
        message: 'must be given: a season uses this period',
      });
    }
  }
});

export type Tariff = z.output<typeof tariffSchema>;
export type TariffSeason = Tariff['seasons'][number];
export type TariffSpan = TariffSeason['weekday'][number];

function isMonthDay(text: string): boolean {
  if (!/^\d\d-\d\d$/.test(text)) return false;
  const days = DAYS_OF_MONTH[Number(text.slice(0, 2)) - 1];
  const day = Number(text.slice(3));
  return days !== undefined && day >= 1 && day <= days;
}

/** Says which day of a leap year lies in no season or in two of them, if any does. */
function findSeasonProblem(
  seasons: readonly { name: string; from: string; to: string }[],
): string | undefined {
  for (const [month, days] of DAYS_OF_MONTH.entries()) {
    for (let day = 1; day <= days; day += 1) {
      const date = `${String(month + 1).padStart(2, '0')}-${String(day).padStart(2, '0')}`;
      const names = seasons.filter((season) => isInSeason(date, season)).map((season) => season.name);
      if (names.length === 0) return `must cover the whole year: ${date} lies in no season`;
      if (names.length > 1) return `must not overlap: ${date} lies in ${names.join(' and in ')}`;
    }
  }
  return undefined;
}

/** All three are MM-DD, so they compare as text. */
function isInSeason(date: string, { from, to }: { from: string; to: string }): boolean {
  return from <= to ? from <= date && date <= to : from <= date || date <= to;
}
