// The history that a neutral is held against, and a climb from day to day.

import { describe, expect, it } from 'vitest';
import { noise } from '../test-support.ts';
import { addDay, type DayOhm, historyOhm, isClimbing } from './neutral-trend.ts';

const days = (...ohms: readonly number[]): DayOhm[] => ohms.map((ohm, day) => ({ day, ohm }));
const daily = (count: number, ohm: (day: number) => number) =>
  days(...Array.from({ length: count }, (_, day) => ohm(day)));

describe('the history of a neutral', () => {
  it('is the lower quartile of its days', () => {
    expect(historyOhm(days(0.02, 0.03, 0.04, 0.05, 0.06), 0.3)).toBe(0.03);
  });

  it('leaves out the days on which it was loose, and is not known without a day', () => {
    expect(historyOhm(days(0.03, 1.2, 1.2, 1.2, 1.2), 0.3)).toBe(0.03);
    expect(historyOhm(days(1.2), 0.3)).toBeNull();
  });

  it('keeps sixty days', () => {
    const kept: DayOhm[] = [];
    for (let day = 0; day < 100; day++) addDay(kept, day, 0.03);
    expect([kept.length, kept[0]?.day, kept.at(-1)?.day]).toEqual([60, 40, 99]);
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

  it.each<[string, DayOhm[]]>([
    ['a season that warms the conductor by a tenth', daily(14, (day) => 0.05 * (1 + 0.007 * day))],
    ['one odd day', daily(14, (day) => (day === 9 ? 0.2 : 0.03))],
    ['five days are too few', daily(5, (day) => 0.03 * 1.5 ** day)],
    ['a service that has always been at 0.12 ohm', daily(14, () => 0.12)],
  ])('%s is none', (_, history) => {
    expect(isClimbing(history, 0.12)).toBe(false);
  });

  it('is not found in a century of noise of 0.02 ohm', () => {
    const draw = noise(11);
    const history: DayOhm[] = [];
    let found = 0;
    for (let day = 0; day < 36_500; day++) {
      addDay(history, day, 0.04 + 0.02 * draw());
      if (isClimbing(history, 0.12)) found += 1;
    }
    expect(found).toBe(0);
  });
});
