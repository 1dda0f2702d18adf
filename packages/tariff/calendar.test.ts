// Tariff periods on the time line: the published example, both changes of the clock, and that for any tariff,
// zone and year the periods fill time without gap or overlap.
import { type Site, siteSchema } from '@afterwatt/wire';
import fc from 'fast-check';
import { DateTime } from 'luxon';
import { describe, expect, it } from 'vitest';
import { compileCalendar, type PricedPeriod } from './calendar.ts';

type TariffInput = { seasons: unknown[]; rates: Record<string, number>; holidays?: string[] };

const RATES = { peak: 0.42, 'mid-peak': 0.3, 'off-peak': 0.17, 'super-off-peak': 0.09 };

/** The example of the HTTP contract. */
const EVENING_PEAK: TariffInput = {
  seasons: [
    {
      name: 'all year',
      from: '01-01',
      to: '12-31',
      weekday: [
        span('off-peak', '00:00', '16:00'),
        span('peak', '16:00', '21:00'),
        span('off-peak', '21:00', '24:00'),
      ],
      weekend: [span('off-peak', '00:00', '24:00')],
    },
  ],
  rates: { peak: 0.42, 'off-peak': 0.17 },
  holidays: ['2026-12-25'],
};

function span(period: string, from: string, to: string) {
  return { period, from, to };
}

function aTariff(tariff: TariffInput): NonNullable<Site['tariff']> {
  const site = siteSchema.parse({
    id: 'cedar-lane-4',
    name: 'Cedar Lane 4',
    timeZone: 'America/Denver',
    tariff,
  });
  if (site.tariff === null) throw new Error('the site was given a tariff');
  return site.tariff;
}

/** "Thu 21:00 - Fri 16:00 off-peak", in the zone's own time. */
function written(zone: string, { startMs, endMs, period }: PricedPeriod): string {
  const local = (ms: number) => DateTime.fromMillis(ms, { zone, locale: 'en-US' }).toFormat('ccc HH:mm');
  return `${local(startMs)} - ${local(endMs)} ${period}`;
}

function periodsOn(tariff: TariffInput, zone: string, date: string): string[] {
  const day = DateTime.fromISO(date, { zone });
  const calendar = compileCalendar(aTariff(tariff), zone);
  return calendar
    .periodsBetween(day.toMillis(), day.plus({ days: 1 }).toMillis())
    .map((p) => written(zone, p));
}

describe('an evening peak on weekdays', () => {
  const zone = 'America/Denver';

  it('has one peak a weekday, and one off-peak period over the night', () => {
    expect(periodsOn(EVENING_PEAK, zone, '2026-06-10')).toEqual([
      'Tue 21:00 - Wed 16:00 off-peak',
      'Wed 16:00 - Wed 21:00 peak',
      'Wed 21:00 - Thu 16:00 off-peak',
    ]);
  });

  it('has no peak at the weekend, and each day of it stands alone', () => {
    expect(periodsOn(EVENING_PEAK, zone, '2026-06-13')).toEqual(['Sat 00:00 - Sun 00:00 off-peak']);
    expect(periodsOn(EVENING_PEAK, zone, '2026-06-14')).toEqual(['Sun 00:00 - Mon 00:00 off-peak']);
  });

  it('has no peak on a holiday, although Christmas 2026 is a Friday', () => {
    expect(periodsOn(EVENING_PEAK, zone, '2026-12-25')).toEqual(['Fri 00:00 - Sat 00:00 off-peak']);
  });

  it('gives the rate and the season with the period', () => {
    const calendar = compileCalendar(aTariff(EVENING_PEAK), zone);
    expect(calendar.periodAt(Date.parse('2026-06-10T18:00:00-06:00'))).toEqual({
      period: 'peak',
      startMs: Date.parse('2026-06-10T16:00:00-06:00'),
      endMs: Date.parse('2026-06-10T21:00:00-06:00'),
      season: 'all year',
      rate: 0.42,
    });
  });

  it('begins the peak at its first instant, not a millisecond before', () => {
    const calendar = compileCalendar(aTariff(EVENING_PEAK), zone);
    const peak = Date.parse('2026-06-10T16:00:00-06:00');
    expect([peak - 1, peak].map((at) => calendar.periodAt(at).period)).toEqual(['off-peak', 'peak']);
  });

  it('follows the clock, not UTC, over the change to daylight saving time', () => {
    const calendar = compileCalendar(aTariff(EVENING_PEAK), zone);
    const peaks = calendar
      .periodsBetween(Date.parse('2026-03-06T12:00:00Z'), Date.parse('2026-03-10T12:00:00Z'))
      .filter(({ period }) => period === 'peak');
    expect(peaks.map(({ startMs }) => new Date(startMs).toISOString())).toEqual([
      '2026-03-06T23:00:00.000Z',
      '2026-03-09T22:00:00.000Z',
    ]);
  });

  it('gives the same answer whatever was asked before: late readings come out of order', () => {
    const times = Array.from(
      { length: 500 },
      (_, i) => Date.UTC(2026, 1, 20) + ((i * 211) % 500) * 4_800_000,
    );
    const calendar = compileCalendar(aTariff(EVENING_PEAK), zone);
    const outOfOrder = new Map(times.map((at) => [at, calendar.periodAt(at)]));
    for (const at of times.sort((a, b) => a - b)) {
      expect(outOfOrder.get(at)).toEqual(compileCalendar(aTariff(EVENING_PEAK), zone).periodAt(at));
    }
  });
});

describe('a day on which the clock changes', () => {
  // 15 USC 260a: 8 March and 1 November 2026, at 02:00.
  const zone = 'America/Los_Angeles';
  const night = (from: string, to: string): TariffInput => ({
    seasons: [
      {
        name: 'all year',
        weekday: [
          span('off-peak', '00:00', from),
          span('super-off-peak', from, to),
          span('off-peak', to, '24:00'),
        ],
      },
    ],
    rates: RATES,
  });
  const superOffPeak = (tariff: TariffInput, date: string) => {
    const day = DateTime.fromISO(date, { zone });
    const found = compileCalendar(aTariff(tariff), zone)
      .periodsBetween(day.toMillis(), day.plus({ days: 1 }).toMillis())
      .filter(({ period }) => period === 'super-off-peak');
    return found.map(({ startMs, endMs }) =>
      [new Date(startMs), new Date(endMs)].map((d) => d.toISOString()),
    );
  };

  it.each([
    { from: '01:00', to: '05:00', hours: 3, why: 'the skipped hour is missing from the middle' },
    { from: '02:30', to: '05:00', hours: 2, why: 'what begins inside the gap begins at its end, 03:00' },
    { from: '01:00', to: '02:30', hours: 1, why: 'what ends inside the gap ends with it' },
  ])('in spring: $from to $to is $hours h, as $why', ({ from, to, hours }) => {
    const [[start = '', end = ''] = []] = superOffPeak(night(from, to), '2026-03-08');
    expect((Date.parse(end) - Date.parse(start)) / 3_600_000).toBe(hours);
  });

  it('in spring: what lies inside the gap does not happen, and the period around it is one', () => {
    expect(superOffPeak(night('02:10', '02:50'), '2026-03-08')).toEqual([]);
    const periods = periodsOn(night('02:10', '02:50'), zone, '2026-03-08');
    expect(periods).toEqual(['Sat 02:50 - Mon 02:10 off-peak']);
  });

  it.each([
    {
      from: '01:30',
      to: '05:00',
      start: '2026-11-01T08:30:00.000Z',
      hours: 4.5,
      why: 'the first 01:30 counts',
    },
    {
      from: '00:30',
      to: '01:30',
      start: '2026-11-01T07:30:00.000Z',
      hours: 1,
      why: 'it ends at the first 01:30',
    },
    { from: '02:00', to: '05:00', start: '2026-11-01T10:00:00.000Z', hours: 3, why: '02:00 comes only once' },
  ])('in autumn: $from to $to is $hours h, as $why', ({ from, to, start, hours }) => {
    const [[began = '', ended = ''] = []] = superOffPeak(night(from, to), '2026-11-01');
    expect(began).toBe(start);
    expect((Date.parse(ended) - Date.parse(began)) / 3_600_000).toBe(hours);
  });

  it('is right where the clock changes by half an hour and where it is 45 minutes off', () => {
    const tariff = night('01:45', '04:00');
    // Lord Howe, 5 April 2026: 02:00 back to 01:30; the first 01:45 is at UTC+11.
    const lordHowe = compileCalendar(aTariff(tariff), 'Australia/Lord_Howe');
    const period = lordHowe.periodAt(Date.parse('2026-04-05T02:00:00+10:30'));
    expect((period.endMs - period.startMs) / 60_000).toBe(165);
    const kathmandu = compileCalendar(aTariff(tariff), 'Asia/Kathmandu');
    expect(kathmandu.periodAt(Date.parse('2026-04-05T02:00:00+05:45')).startMs).toBe(
      Date.parse('2026-04-05T01:45:00+05:45'),
    );
  });
});

describe('seasons', () => {
  const zone = 'America/Chicago';
  const tariff: TariffInput = {
    seasons: [
      { name: 'summer', from: '06-01', to: '09-30', weekday: [span('peak', '00:00', '24:00')] },
      { name: 'winter', from: '10-01', to: '05-31', weekday: [span('off-peak', '00:00', '24:00')] },
    ],
    rates: RATES,
  };
  const seasonAt = (local: string) =>
    compileCalendar(aTariff(tariff), zone).periodAt(DateTime.fromISO(local, { zone }).toMillis()).season;

  it.each([
    { at: '2026-05-31T23:59:59', season: 'winter', why: 'the last second before summer' },
    { at: '2026-06-01T00:00:00', season: 'summer', why: 'both ends belong to the season' },
    { at: '2026-09-30T23:59:59', season: 'summer', why: 'both ends belong to the season' },
    { at: '2026-12-31T23:59:59', season: 'winter', why: 'a season may run over the end of the year' },
    { at: '2027-01-01T00:00:00', season: 'winter', why: 'a season may run over the end of the year' },
    { at: '2028-02-29T12:00:00', season: 'winter', why: 'leap years have a 29 February' },
  ])('at $at it is $season: $why', ({ at, season }) => {
    expect(seasonAt(at)).toBe(season);
  });

  it('begins a new period where a season does, at the same price too', () => {
    const everDay = [
      span('off-peak', '00:00', '16:00'),
      span('peak', '16:00', '20:00'),
      span('off-peak', '20:00', '24:00'),
    ];
    const same: TariffInput = {
      seasons: [
        { name: 'summer', from: '06-01', to: '09-30', weekday: everDay },
        { name: 'winter', from: '10-01', to: '05-31', weekday: everDay },
      ],
      rates: RATES,
    };
    expect(periodsOn(same, zone, '2026-06-01')[0]).toBe('Mon 00:00 - Mon 16:00 off-peak');
  });
});

describe('any tariff, in any zone and year', () => {
  const zones = fc.constantFrom(
    'America/New_York',
    'America/Denver',
    'America/Phoenix',
    'America/St_Johns',
    'America/Havana',
    'America/Sao_Paulo',
    'Europe/London',
    'Africa/Casablanca',
    'Asia/Kathmandu',
    'Australia/Lord_Howe',
    'Pacific/Apia',
  );
  const plans = fc.uniqueArray(fc.integer({ min: 1, max: 1439 }), { maxLength: 5 }).chain((cuts) => {
    const bounds = [0, ...cuts.sort((a, b) => a - b), 1440];
    const periods = fc.array(fc.constantFrom('peak', 'mid-peak', 'off-peak', 'super-off-peak'), {
      minLength: bounds.length - 1,
      maxLength: bounds.length - 1,
    });
    return periods.map((names) =>
      names.map((name, i) => span(name, hhmm(bounds[i] ?? 0), hhmm(bounds[i + 1] ?? 1440))),
    );
  });
  const tariffs = fc
    .record({
      summerDay: plans,
      summerEnd: plans,
      winterDay: plans,
      holiday: fc.integer({ min: 1, max: 28 }),
    })
    .map(({ summerDay, summerEnd, winterDay, holiday }) =>
      aTariff({
        seasons: [
          { name: 'summer', from: '04-15', to: '10-15', weekday: summerDay, weekend: summerEnd },
          { name: 'winter', from: '10-16', to: '04-14', weekday: winterDay },
        ],
        rates: RATES,
        holidays: [`2026-07-${String(holiday).padStart(2, '0')}`],
      }),
    );
  const starts = fc.integer({ min: Date.UTC(2010, 0, 1), max: Date.UTC(2027, 0, 1) });

  function hhmm(minute: number): string {
    return `${String(Math.floor(minute / 60)).padStart(2, '0')}:${String(minute % 60).padStart(2, '0')}`;
  }

  it('fills time with periods, without gap or overlap, none longer than two days', () => {
    fc.assert(
      fc.property(tariffs, zones, starts, (tariff, zone, from) => {
        const calendar = compileCalendar(tariff, zone);
        const periods = calendar.periodsBetween(from, from + 40 * 86_400_000);
        for (const [index, period] of periods.entries()) {
          const next = periods[index + 1];
          if (next !== undefined) expect(next.startMs).toBe(period.endMs);
          expect(period.endMs).toBeGreaterThan(period.startMs);
          expect(period.endMs - period.startMs).toBeLessThanOrEqual(49 * 3_600_000);
          // Asked from anywhere within it, by a calendar that has seen nothing else, the period is the same.
          const fresh = compileCalendar(tariff, zone);
          expect(fresh.periodAt(period.startMs)).toEqual(period);
          expect(fresh.periodAt(period.endMs - 1)).toEqual(period);
        }
        expect(periods[0]?.startMs).toBeLessThanOrEqual(from);
        expect(periods.at(-1)?.endMs).toBeGreaterThanOrEqual(from + 40 * 86_400_000);
      }),
      { numRuns: 60 },
    );
  });

  it('puts every instant at the price of its local time, as luxon reads the clock', () => {
    fc.assert(
      fc.property(tariffs, zones, starts, (tariff, zone, at) => {
        const local = DateTime.fromMillis(at, { zone });
        // In the repeated hour the first occurrence decides: covered above, by name.
        if (local.getPossibleOffsets().length > 1 || local.minus({ hours: 2 }).offset !== local.offset)
          return;
        const monthDay = local.toFormat('MM-dd');
        const season = tariff.seasons.find((s) =>
          s.name === 'summer'
            ? monthDay >= '04-15' && monthDay <= '10-15'
            : monthDay > '10-15' || monthDay < '04-15',
        );
        const weekend = local.weekday > 5 || tariff.holidays.includes(local.toFormat('yyyy-MM-dd'));
        const time = local.toFormat('HH:mm');
        const expected = (weekend ? season?.weekend : season?.weekday)?.find(
          (s) => time >= s.from && time < s.to,
        );
        expect(compileCalendar(tariff, zone).periodAt(at).period).toBe(expected?.period);
      }),
      { numRuns: 1000 },
    );
  });
});
