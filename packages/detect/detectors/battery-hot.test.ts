// A battery that is too hot, or hotter than its load and the last weeks explain, is told from a warm week.

import { describe, expect, it } from 'vitest';
import type { SiteEvent } from '../event.ts';
import {
  aBatteryReading,
  aSite,
  clears,
  DAY_S,
  firstRaise,
  HOUR_S,
  raises,
  runSeries,
  START_MS,
  seconds,
} from '../test-support.ts';
import { batteryHot } from './battery-hot.ts';

const site = aSite();
const hot = (events: readonly SiteEvent[]) => runSeries(site, batteryHot, events);
const thermometer = (
  days: number,
  tempC: (s: number) => number,
  acW: (s: number) => number = () => 0,
  step = 60,
) => seconds(0, days * DAY_S, step).map((s) => aBatteryReading(s, { tempC: tempC(s), acW: acW(s) }));

describe('a battery above 55 Cel', () => {
  const after = (s: number, tempC: number) => (at: number) => (at >= s && at < s + 1800 ? tempC : 40);
  it.each([
    { tempC: 55.1, raised: 1 },
    { tempC: 55, raised: 0 },
  ])('at $tempC Cel', ({ tempC, raised }) => {
    expect(raises(hot(thermometer(0.1, after(3600, tempC), undefined, 10)))).toHaveLength(raised);
  });

  it('is raised after 2 min, not by a disturbed reading', () => {
    expect(raises(hot(thermometer(0.1, after(3600, 60), undefined, 10)))).toEqual(['battery-1 3720']);
    const disturbed = thermometer(0.1, (s) => (s % 600 === 0 ? 90 : 40), undefined, 10);
    expect(hot(disturbed)).toEqual([]);
  });

  it('clears 2 degrees below, after 2 min', () => {
    const cooling = (s: number) => (s < 3600 ? 60 : 53);
    expect(clears(hot(thermometer(0.1, cooling, undefined, 10)))).toEqual(['battery-1 3720']);
    expect(clears(hot(thermometer(0.1, (s) => (s < 3600 ? 60 : 53.5), undefined, 10)))).toEqual([]);
  });

  it('never tells the homeowner to open anything', () => {
    const raised = firstRaise(hot(thermometer(0.1, () => 60, undefined, 10)));
    expect(raised.finding.words.homeowner).not.toMatch(/\bopen (the|your) (unit|panel|battery)/);
    expect(raised.finding.words.caution).toContain('fire service');
  });
});

describe('a battery hotter than its load and history explain', () => {
  /** 24 Cel at night, 32 in the afternoon (START_MS is noon), and 8 more at the end of a charge each night. */
  const daily = (s: number) => 28 - 4 * Math.cos(2 * Math.PI * (s / DAY_S + 0.5));
  const nightly = (s: number) => (s % DAY_S > 12 * HOUR_S && s % DAY_S < 14 * HOUR_S ? 1400 : 0);

  it('is told half an hour after it became so', () => {
    const failed = thermometer(8, (s) => daily(s) + (s >= 6.25 * DAY_S ? 15 : 0), nightly, 300);
    const raised = firstRaise(hot(failed));
    const detectedS = (raised.detectedMs - START_MS) / 1000;
    expect(detectedS - 6.25 * DAY_S).toBeGreaterThanOrEqual(1800);
    expect(raised.finding.facts['hot']).toBe(false);
  });

  it('is told on the second day, though little is known yet, when it is far hotter', () => {
    const failed = thermometer(1.5, (s) => daily(s) + (s >= DAY_S ? 25 : 0), nightly, 300);
    expect(raises(hot(failed))).toHaveLength(1);
    expect(hot(thermometer(1.5, (s) => daily(s) + (s >= DAY_S ? 9 : 0), nightly, 300))).toEqual([]);
  });

  it.each([
    { why: 'an ordinary month', tempC: daily, acW: nightly },
    {
      why: 'a week that warms by 8 degrees',
      tempC: (s: number) => daily(s) + Math.min(8, s / DAY_S),
      acW: nightly,
    },
    {
      why: 'a charge at noon, for once',
      tempC: (s: number) => daily(s) + (s > 20 * DAY_S && s < 20.1 * DAY_S ? 12 : 0),
      acW: (s: number) => (s > 19.95 * DAY_S && s < 20.1 * DAY_S ? 1500 : nightly(s)),
    },
  ])('is not told: $why', ({ tempC, acW }) => {
    expect(hot(thermometer(30, tempC, acW, 300))).toEqual([]);
  });

  it('is believed to be the new normal after some days', () => {
    const moved = thermometer(25, (s) => daily(s) + (s >= 10 * DAY_S ? 12 : 0), nightly, 300);
    const transitions = hot(moved);
    expect(raises(transitions)).not.toEqual([]);
    expect(clears(transitions)).not.toEqual([]);
  });
});

it('a battery that heats from 10 to 50 Cel at rest is told on its first morning', () => {
  const failed = thermometer(
    0.5,
    (s) => (s >= 5 * HOUR_S ? 50 : 10),
    () => 0,
    60,
  );
  const [first] = raises(hot(failed));
  expect(Number(first?.split(' ')[1])).toBeLessThanOrEqual(5 * HOUR_S + 1860);
  expect(
    hot(
      thermometer(
        0.5,
        (s) => (s >= 5 * HOUR_S ? 34 : 10),
        () => 0,
        60,
      ),
    ),
  ).toEqual([]);
});

it.each([
  { fails: 'ten minutes before the hour', atS: 19 * HOUR_S - 600 },
  { fails: 'on the hour', atS: 19 * HOUR_S },
  { fails: 'ten minutes after the hour', atS: 19 * HOUR_S + 600 },
])('a unit in a cold garage that fails on its first night $fails is told within two hours', ({ atS }) => {
  // At rest at 1 Cel; then what fails beside the sensor takes it to 51 Cel, with a time constant of 20 min.
  const failed = thermometer(
    1,
    (s) => 1 + 50 * (s < atS ? 0 : 1 - Math.exp((atS - s) / 1200)),
    () => 5,
    10,
  );
  const [first, ...more] = raises(hot(failed));
  expect(Number(first?.split(' ')[1])).toBeLessThan(atS + 2 * HOUR_S);
  expect(more).toEqual([]);
});

describe('a battery of which a day is known', () => {
  const constant = (fromC: number, toC: number) =>
    thermometer(
      2,
      (s) => (s >= 1.2 * DAY_S ? toC : fromC),
      () => 0,
      300,
    );
  it.each([
    { fromC: 25, toC: 37, raised: 1, why: '12 above' },
    { fromC: 27, toC: 36, raised: 0, why: '9 above' },
    { fromC: 10, toC: 31, raised: 0, why: 'warm after a cold night, but not hot' },
  ])('from $fromC to $toC Cel at rest: $why', ({ fromC, toC, raised }) => {
    expect(raises(hot(constant(fromC, toC)))).toHaveLength(raised);
  });
});

it('a fan that fails for a day is one incident, whatever the charge at midnight explains of it', () => {
  // A first-order thermal model with a time constant of 40 min: full power brings 15 Cel in the long run, the failed
  // fan 17. Of the hour after midnight the history knows the heat of a charge that begins only at 00:12.
  const stepS = 60;
  const charging = (s: number) => s % DAY_S >= 12.2 * HOUR_S && s % DAY_S < 14 * HOUR_S;
  const failed = (s: number) => s >= 4.2 * DAY_S && s < 5.2 * DAY_S;
  let tempC = 20;
  const events = seconds(0, 6 * DAY_S, stepS).map((s) => {
    const towardsC = 20 + (charging(s) ? 15 : 0) + (failed(s) ? 17 : 0);
    tempC += (towardsC - tempC) * (stepS / 2400);
    return aBatteryReading(s, { tempC, acW: charging(s) ? 1400 : 8 });
  });
  const transitions = hot(events);
  expect(raises(transitions)).toHaveLength(1);
  expect(clears(transitions)).toHaveLength(1);
});
