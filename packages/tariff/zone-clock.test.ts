// The wall clock of a zone against an independent library (luxon) over every change of the clock in twelve zones
// and fifteen years, and against the dates the law sets.
import { DateTime } from 'luxon';
import { describe, expect, it } from 'vitest';
import { DAY_MS, MINUTE_MS, zoneClock } from './zone-clock.ts';

const HOUR_MS = 60 * MINUTE_MS;

const ZONES = [
  { zone: 'America/New_York', why: 'Eastern time' },
  { zone: 'America/Denver', why: 'Mountain time' },
  { zone: 'America/Los_Angeles', why: 'Pacific time' },
  { zone: 'America/Phoenix', why: 'no daylight saving time' },
  {
    zone: 'America/St_Johns',
    why: 'half an hour off; in 2011 its clock went back at 00:01, into the day before',
  },
  { zone: 'America/Havana', why: 'the clock goes forward at midnight: the day begins at 01:00' },
  { zone: 'America/Sao_Paulo', why: 'the clock went forward at midnight and back over midnight, until 2019' },
  { zone: 'Europe/London', why: 'goes forward at 01:00' },
  { zone: 'Africa/Casablanca', why: 'four changes a year, around Ramadan' },
  { zone: 'Asia/Kathmandu', why: '5 h 45 min, no changes' },
  { zone: 'Australia/Lord_Howe', why: 'changes by half an hour' },
  { zone: 'Pacific/Apia', why: 'left out 30 December 2011' },
];
const FIRST_YEAR = 2011;
const LAST_YEAR = 2025;

/** Every instant at which luxon sees the zone's offset change, found from day to day and then by halving. */
function transitionsOf(zone: string): number[] {
  const offsetAt = (atMs: number) => DateTime.fromMillis(atMs, { zone }).offset;
  const found: number[] = [];
  for (let day = Date.UTC(FIRST_YEAR, 0, 1); day < Date.UTC(LAST_YEAR + 1, 0, 1); day += DAY_MS) {
    if (offsetAt(day) === offsetAt(day + DAY_MS)) continue;
    let before = day;
    let after = day + DAY_MS;
    while (after - before > 1) {
      const middle = Math.floor((before + after) / 2);
      if (offsetAt(middle) === offsetAt(day)) before = middle;
      else after = middle;
    }
    found.push(after);
  }
  return found;
}

function wallMsOf(time: DateTime): number {
  return Date.UTC(time.year, time.month - 1, time.day, time.hour, time.minute, time.second, time.millisecond);
}

describe('the wall clock of a zone', () => {
  it.each(ZONES)('shows what luxon shows around every change in $zone ($why)', ({ zone }) => {
    const clock = zoneClock(zone);
    const steps = [-DAY_MS, -HOUR_MS, -1, 0, 1, 59 * MINUTE_MS, HOUR_MS, 2 * HOUR_MS, 3 * HOUR_MS, DAY_MS];
    const times = [...transitionsOf(zone), Date.UTC(2024, 1, 29, 12)].flatMap((t) => steps.map((s) => t + s));
    for (const atMs of times) {
      const expected = DateTime.fromMillis(atMs, { zone });
      expect(clock.wallMs(atMs), expected.toISO() ?? '').toBe(wallMsOf(expected));
      expect(clock.hourOfWeek(atMs), expected.toISO() ?? '').toBe(
        (expected.weekday - 1) * 24 + expected.hour,
      );
    }
  });

  it.each(ZONES)('finds the first instant of each wall time around every change in $zone', ({ zone }) => {
    const clock = zoneClock(zone);
    for (const transition of transitionsOf(zone)) {
      // What luxon shows every quarter of an hour, a day before to four hours after.
      const shown = Array.from({ length: 112 }, (_, index) => {
        const atMs = transition + (index - 96) * 15 * MINUTE_MS;
        return { atMs, wallMs: wallMsOf(DateTime.fromMillis(atMs, { zone })) };
      });
      for (let minutes = -120; minutes <= 120; minutes += 15) {
        const wall = clock.wallMs(transition) + minutes * MINUTE_MS;
        const first = shown.find((quarter) => quarter.wallMs >= wall);
        expect(clock.firstInstant(wall), `${zone} ${new Date(wall).toISOString()}`).toBe(first?.atMs);
      }
    }
  });

  it('takes the first of two occurrences, where luxon leaves the choice open', () => {
    // Temporal: disambiguation 'compatible' and 'earlier' give 01:30-04:00, 'later' 01:30-05:00.
    const wall = Date.UTC(2026, 10, 1, 1, 30);
    expect(new Date(zoneClock('America/New_York').firstInstant(wall)).toISOString()).toBe(
      '2026-11-01T05:30:00.000Z',
    );
  });

  it('takes the end of the gap for a skipped time, where luxon and Temporal move it on by an hour', () => {
    // Both give 03:30-04:00 for 02:30 (Temporal: disambiguation 'compatible' or 'later').
    const wall = Date.UTC(2026, 2, 8, 2, 30);
    expect(new Date(zoneClock('America/New_York').firstInstant(wall)).toISOString()).toBe(
      '2026-03-08T07:00:00.000Z',
    );
  });
});

describe('daylight saving time of the United States in 2026', () => {
  // 15 USC 260a: from the second Sunday of March, 02:00, to the first Sunday of November, 02:00.
  const clock = zoneClock('America/Los_Angeles');
  const shownAt = (iso: string) => new Date(clock.wallMs(Date.parse(iso))).toISOString().slice(0, 19);

  it('goes from 01:59:59 to 03:00 on 8 March', () => {
    expect(shownAt('2026-03-08T09:59:59Z')).toBe('2026-03-08T01:59:59');
    expect(shownAt('2026-03-08T10:00:00Z')).toBe('2026-03-08T03:00:00');
  });

  it('shows 01:30 twice on 1 November', () => {
    expect(shownAt('2026-11-01T08:30:00Z')).toBe('2026-11-01T01:30:00');
    expect(shownAt('2026-11-01T09:30:00Z')).toBe('2026-11-01T01:30:00');
  });

  it.each([
    { zone: 'America/Los_Angeles', date: '2026-03-08', hours: 23 },
    { zone: 'America/Los_Angeles', date: '2026-11-01', hours: 25 },
    { zone: 'America/Los_Angeles', date: '2026-07-04', hours: 24 },
    { zone: 'America/Phoenix', date: '2026-03-08', hours: 24 },
    { zone: 'America/Phoenix', date: '2026-11-01', hours: 24 },
  ])('gives $date $hours hours in $zone', ({ zone, date, hours }) => {
    const day = Date.parse(date) / DAY_MS;
    expect(zoneClock(zone).dayStart(day + 1) - zoneClock(zone).dayStart(day)).toBe(hours * HOUR_MS);
  });
});

describe('the local day', () => {
  it.each(ZONES)(
    'begins where luxon has it begin, on the first of each month and around every change in $zone',
    ({ zone }) => {
      const clock = zoneClock(zone);
      const months = Array.from({ length: 12 * (LAST_YEAR - FIRST_YEAR + 1) }, (_, i) =>
        Date.UTC(FIRST_YEAR, i, 1),
      );
      const around = transitionsOf(zone).map((transition) => Math.floor(transition / DAY_MS) * DAY_MS);
      const days = [...months, ...around.flatMap((day) => [-1, 0, 1, 2].map((d) => day + d * DAY_MS))];
      for (const day of days) {
        const date = new Date(day);
        const expected = DateTime.fromObject(
          { year: date.getUTCFullYear(), month: date.getUTCMonth() + 1, day: date.getUTCDate() },
          { zone },
        );
        // A day the zone left out begins, for us, with the one after it; luxon moves it on by the gap's length.
        if (zone === 'Pacific/Apia' && date.toISOString().startsWith('2011-12-30')) continue;
        // Where midnight comes twice, as in Havana in November, the day begins at the first; luxon takes either.
        const start = expected.startOf('day');
        const hourEarlier = start.minus({ hours: 1 });
        const first = hourEarlier.day === start.day ? hourEarlier : start;
        expect(clock.dayStart(day / DAY_MS), `${zone} ${date.toISOString()}`).toBe(first.toMillis());
      }
    },
  );

  it('goes on when the clock is put back over midnight: St. John’s, 7 November 2010, 00:01 to 23:01', () => {
    const clock = zoneClock('America/St_Johns');
    const midnight = Date.parse('2010-11-07T02:30:00Z');
    const secondLateEvening = Date.parse('2010-11-07T03:00:00Z');
    expect(new Date(clock.wallMs(secondLateEvening)).toISOString()).toBe('2010-11-06T23:30:00.000Z');
    expect(clock.localDayStart(secondLateEvening)).toBe(midnight);
    expect(clock.localDayStart(midnight - 1)).toBe(Date.parse('2010-11-06T02:30:00Z'));
  });

  it('of a date a zone left out has no length: Samoa, 30 December 2011', () => {
    const clock = zoneClock('Pacific/Apia');
    const day = Date.parse('2011-12-30') / DAY_MS;
    expect(clock.dayStart(day + 1) - clock.dayStart(day)).toBe(0);
  });
});
