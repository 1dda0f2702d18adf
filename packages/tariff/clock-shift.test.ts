// A battery whose clock is an hour or three out is found from a week of its switching; a battery that merely has
// habits of its own is not accused. The weeks are simulated minute by minute with a seeded generator.
import { siteSchema } from '@afterwatt/wire';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { compileCalendar, type TariffCalendar } from './calendar.ts';
import { findClockShift, SHIFT_BIN_MINUTES } from './clock-shift.ts';

const MINUTE_MS = 60_000;
const MONDAY_MS = Date.parse('2026-05-04T00:00:00-06:00');
const DAY_MINUTES = 1440;

type Dispatch = (time: { period: string; hour: number; socPct: number; loadW: number }) => number;

const span = (period: string, from: string, to: string) => ({ period, from, to });
const EVENING_PEAK = [
  span('off-peak', '00:00', '16:00'),
  span('peak', '16:00', '21:00'),
  span('off-peak', '21:00', '24:00'),
];
const FOUR_PERIODS = [
  span('super-off-peak', '00:00', '06:00'),
  span('off-peak', '06:00', '14:00'),
  span('mid-peak', '14:00', '17:00'),
  span('peak', '17:00', '20:00'),
  span('mid-peak', '20:00', '22:00'),
  span('off-peak', '22:00', '24:00'),
];
const FLAT = [span('off-peak', '00:00', '24:00')];

/** Charges when power is cheapest, carries the house when it is dearest. */
const followTariff: Dispatch = ({ period, socPct, loadW }) => {
  if (period === 'off-peak' || period === 'super-off-peak') return socPct < 100 ? 1500 : 0;
  return period === 'peak' && socPct > 20 ? -Math.min(1500, loadW) : 0;
};

function aCalendar({ weekday, weekend }: { weekday: unknown[]; weekend?: unknown[] }): TariffCalendar {
  const tariff = {
    seasons: [{ name: 'all year', weekday, ...(weekend === undefined ? {} : { weekend }) }],
    rates: { peak: 0.42, 'mid-peak': 0.3, 'off-peak': 0.17, 'super-off-peak': 0.09 },
  };
  const site = siteSchema.parse({
    id: 'cedar-lane-4',
    name: 'Cedar Lane 4',
    timeZone: 'America/Denver',
    tariff,
  });
  if (site.tariff === null) throw new Error('the site was given a tariff');
  return compileCalendar(site.tariff, site.timeZone);
}

type Week = {
  calendar: TariffCalendar;
  shiftMinutes?: number;
  dispatch?: Dispatch;
  days?: number;
  seed?: number;
};

/** A week of a 5 kWh battery in a house with a changing load, its clock shiftMinutes late. */
function aWeek({
  calendar,
  shiftMinutes = 0,
  dispatch = followTariff,
  days = 7,
  seed = 1,
}: Week): (number | null)[] {
  const random = seededRandom(seed);
  const powerW: number[] = [];
  let socPct = 30 + 50 * random();
  let loadW = 500;
  let sum = 0;
  for (let minute = 0; minute < days * DAY_MINUTES; minute += 1) {
    if (random() < 0.02) loadW = 100 + 2500 * random() ** 2;
    const { period } = calendar.periodAt(MONDAY_MS + (minute - shiftMinutes) * MINUTE_MS);
    const acW = dispatch({ period, hour: (minute / 60) % 24, socPct, loadW });
    socPct = Math.min(100, Math.max(0, socPct + ((acW > 0 ? acW * 0.93 : acW / 0.93) / 60 / 5000) * 100));
    sum += acW + 10 + 20 * (random() - 0.5);
    if (minute % SHIFT_BIN_MINUTES === SHIFT_BIN_MINUTES - 1) {
      powerW.push(sum / SHIFT_BIN_MINUTES);
      sum = 0;
    }
  }
  return powerW.map((p) => (random() < 0.02 ? null : p));
}

/** mulberry32: a small seeded generator, so that a failing week can be made again. */
function seededRandom(seed: number): () => number {
  let state = seed;
  return () => {
    state = (state + 0x6d2b79f5) | 0;
    let t = Math.imul(state ^ (state >>> 15), 1 | state);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return ((t ^ (t >>> 14)) >>> 0) / 4_294_967_296;
  };
}

const TARIFFS = [
  { name: 'an evening peak on weekdays', calendar: aCalendar({ weekday: EVENING_PEAK, weekend: FLAT }) },
  { name: 'an evening peak every day', calendar: aCalendar({ weekday: EVENING_PEAK }) },
  { name: 'four periods', calendar: aCalendar({ weekday: FOUR_PERIODS }) },
];

describe.each(TARIFFS)('under $name', ({ calendar }) => {
  it.each([
    { shiftMinutes: 60, why: 'still on standard time in summer' },
    { shiftMinutes: -60, why: 'on daylight saving time in winter' },
    { shiftMinutes: 180, why: 'three zones too far west' },
    { shiftMinutes: -180, why: 'three zones too far east' },
    { shiftMinutes: 360, why: 'on Coordinated Universal Time in Denver, summer' },
  ])('names a clock $shiftMinutes min late: $why', ({ shiftMinutes }) => {
    for (const seed of [1, 2, 3, 4, 5, 6, 7, 8]) {
      const found = findClockShift({
        fromMs: MONDAY_MS,
        powerW: aWeek({ calendar, shiftMinutes, seed }),
        calendar,
      });
      expect(found, `seed ${seed}`).toMatchObject({ kind: 'shifted', shiftMinutes });
    }
  });

  it('finds a right clock in step', () => {
    for (let seed = 1; seed <= 20; seed += 1) {
      const found = findClockShift({ fromMs: MONDAY_MS, powerW: aWeek({ calendar, seed }), calendar });
      expect(found, `seed ${seed}`).toMatchObject({ kind: 'in-step' });
    }
  });

  it('never takes habits for a wrong clock: self-consumption of solar power', () => {
    const selfConsumption: Dispatch = ({ hour, socPct, loadW }) => {
      const netW = loadW - 2500 * Math.max(0, Math.sin(((hour - 6.5) / 13) * Math.PI));
      if (netW < 0) return socPct < 100 ? Math.min(1500, -netW) : 0;
      return socPct > 20 ? -Math.min(1500, netW) : 0;
    };
    for (let seed = 1; seed <= 20; seed += 1) {
      const powerW = aWeek({ calendar, dispatch: selfConsumption, seed });
      expect(findClockShift({ fromMs: MONDAY_MS, powerW, calendar }).kind, `seed ${seed}`).not.toBe(
        'shifted',
      );
    }
  });

  it('never takes habits for a wrong clock: charging by a timer of its own at 02:00', () => {
    const ownTimer: Dispatch = ({ period, hour, socPct, loadW }) => {
      if (hour >= 2 && hour < 6) return socPct < 100 ? 1500 : 0;
      return period === 'peak' && socPct > 20 ? -Math.min(1500, loadW) : 0;
    };
    for (let seed = 1; seed <= 20; seed += 1) {
      const powerW = aWeek({ calendar, dispatch: ownTimer, seed });
      expect(findClockShift({ fromMs: MONDAY_MS, powerW, calendar }).kind, `seed ${seed}`).not.toBe(
        'shifted',
      );
    }
  });
});

describe('a battery that charges at midnight, in the middle of the cheap night', () => {
  const calendar = aCalendar({ weekday: EVENING_PEAK, weekend: FLAT });
  const atMidnight =
    (shiftHours: number): Dispatch =>
    ({ period, hour, socPct }) => {
      if (period === 'peak') return socPct > 25 ? -500 : 0;
      return (hour - shiftHours + 24) % 24 < 5 && socPct < 97 ? 900 : 0;
    };

  it.each([
    { shiftHours: 1, expected: { kind: 'shifted', shiftMinutes: 60 } },
    { shiftHours: 3, expected: { kind: 'shifted', shiftMinutes: 180 } },
    { shiftHours: 0, expected: { kind: 'in-step' } },
  ])('shows a clock $shiftHours h late by its feeding alone', ({ shiftHours, expected }) => {
    for (const seed of [1, 2, 3, 4, 5]) {
      const week = { calendar, shiftMinutes: 60 * shiftHours, dispatch: atMidnight(shiftHours), seed };
      const found = findClockShift({ fromMs: MONDAY_MS, powerW: aWeek(week), calendar });
      expect(found, `seed ${seed}`).toMatchObject(expected);
    }
  });
});

describe('a shift of the clock is undecided', () => {
  const calendar = aCalendar({ weekday: EVENING_PEAK });

  it('when the price never changes', () => {
    const flat = aCalendar({ weekday: FLAT });
    const powerW = aWeek({ calendar, shiftMinutes: 60 });
    expect(findClockShift({ fromMs: MONDAY_MS, powerW, calendar: flat })).toEqual({
      kind: 'undecided',
      reason: 'flat-tariff',
    });
  });

  it.each([
    { why: 'when the battery did nothing', powerW: new Array<number>(672).fill(12) },
    { why: 'when nothing is known', powerW: new Array<null>(672).fill(null) },
    { why: 'when there is no reading at all', powerW: [] },
    { why: 'when two days were seen', powerW: aWeek({ calendar, shiftMinutes: 60, days: 2 }) },
  ])('$why', ({ powerW }) => {
    const found = findClockShift({ fromMs: MONDAY_MS, powerW, calendar });
    expect(found).toEqual({ kind: 'undecided', reason: 'too-little-switching' });
  });

  it('when charging and discharging have moved by different amounts', () => {
    const timer: Dispatch = ({ hour }) =>
      hour >= 22 && hour < 24 ? 1500 : hour >= 19 && hour < 21 ? -1200 : 0;
    const powerW = aWeek({ calendar, dispatch: timer });
    expect(findClockShift({ fromMs: MONDAY_MS, powerW, calendar })).toEqual({
      kind: 'undecided',
      reason: 'ambiguous',
    });
  });
});

describe('the shift found', () => {
  it('is the shift there is, for every half hour of the day and whatever the noise', () => {
    const calendar = aCalendar({ weekday: EVENING_PEAK, weekend: FLAT });
    fc.assert(
      fc.property(
        fc.integer({ min: -22, max: 22 }),
        fc.integer({ min: 1, max: 1_000_000 }),
        (halfHours, seed) => {
          const shiftMinutes = halfHours * 30;
          const found = findClockShift({
            fromMs: MONDAY_MS,
            powerW: aWeek({ calendar, shiftMinutes, seed }),
            calendar,
          });
          if (found.kind === 'undecided') return;
          if (halfHours === 0) expect(found.kind).toBe('in-step');
          else expect(found).toMatchObject({ kind: 'shifted', shiftMinutes });
        },
      ),
      { numRuns: 150 },
    );
  });
});
