// The history that a resistance is held against, and a climb from day to day.

import { describe, expect, it } from 'vitest';
import { noise } from '../test-support.ts';
import { type DailyOhms, daysOf, historyOhm, isClimbing, setDay, startDailyOhms } from './daily-ohms.ts';

const DAYS = 60;
function daily(count: number, ohm: (day: number) => number | null): DailyOhms {
  const ohms = startDailyOhms();
  for (let day = 0; day < count; day++) {
    const value = ohm(day);
    if (value !== null) setDay(ohms, day, value, DAYS);
  }
  return ohms;
}
const of = (...ohms: readonly number[]) => daily(ohms.length, (day) => ohms[day] ?? null);

describe('the days', () => {
  it('are kept up to a number, with gaps where nothing was known', () => {
    const kept = daily(100, (day) => (day === 90 ? null : day / 1000));
    expect(daysOf(kept)).toHaveLength(DAYS - 1);
    expect(daysOf(kept)[0]).toEqual({ day: 40, ohm: 0.04 });
    expect(daysOf(kept).at(-1)).toEqual({ day: 99, ohm: 0.099 });
  });

  it('take a better value of the same day, and none of an earlier one', () => {
    const kept = of(0.03, 0.04);
    setDay(kept, 1, 0.05, DAYS);
    setDay(kept, 0, 0.9, DAYS);
    expect(daysOf(kept).map(({ ohm }) => ohm)).toEqual([0.03, 0.05]);
  });
});

describe('the history', () => {
  it('is the lower quartile of its days', () => {
    expect(historyOhm(of(0.02, 0.03, 0.04, 0.05, 0.06), 0.3)).toBe(0.03);
  });

  it('leaves out the days on which the connection was loose, and is not known without a day', () => {
    expect(historyOhm(of(0.03, 1.2, 1.2, 1.2, 1.2), 0.3)).toBe(0.03);
    expect(historyOhm(of(1.2), 0.3)).toBeNull();
  });
});

describe('a climb', () => {
  it('from 0.03 to 0.1 ohm within two weeks is one', () => {
    expect(
      isClimbing(
        daily(14, (day) => 0.03 + 0.005 * day),
        0.12,
      ),
    ).toBe(true);
  });

  it.each<[string, DailyOhms]>([
    ['a season that warms the conductor by a tenth', daily(14, (day) => 0.05 * (1 + 0.007 * day))],
    ['one odd day', daily(14, (day) => (day === 9 ? 0.2 : 0.03))],
    ['five days are too few', daily(5, (day) => 0.03 * 1.5 ** day)],
    ['a service that has always been at 0.12 ohm', daily(14, () => 0.12)],
  ])('%s is none', (_, history) => {
    expect(isClimbing(history, 0.12)).toBe(false);
  });

  it('is not found in a century of noise of 0.02 ohm', () => {
    const draw = noise(11);
    const history = startDailyOhms();
    let found = 0;
    for (let day = 0; day < 36_500; day++) {
      setDay(history, day, 0.04 + 0.02 * draw(), DAYS);
      if (isClimbing(history, 0.12)) found += 1;
    }
    expect(found).toBe(0);
  });
});
