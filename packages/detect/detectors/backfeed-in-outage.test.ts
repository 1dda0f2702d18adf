// Power from the inlet into the panel while the grid is away is told within 15 s; a battery that carries its
// own backed-up circuit, and a grid flag that flickers or is late, are not.

import { describe, expect, it } from 'vitest';
import type { SiteEvent } from '../event.ts';
import { aBatteryReading, aMeterReading, aSite, raises, runSeries, seconds } from '../test-support.ts';
import { backfeedInOutage } from './backfeed-in-outage.ts';

const site = aSite();
const run = (events: readonly SiteEvent[], on = site) => runSeries(on, backfeedInOutage, events);

interface House {
  readonly inletW?: (s: number) => number;
  readonly acW?: (s: number) => number;
  readonly grid?: (s: number) => boolean;
  readonly legV?: (s: number) => readonly [number, number];
  readonly toS?: number;
  readonly batteryOffsetS?: number;
}
/** Meter every 5 s, battery every 10 s; the outage begins at second 100. */
function series({
  inletW = () => 0,
  acW = inletW,
  grid = (s) => s < 100,
  legV = (s) => (s < 100 ? [120, 120] : [120, 0]),
  toS = 300,
  batteryOffsetS = 3,
}: House): SiteEvent[] {
  return [
    ...seconds(0, toS, 5).map((s) => {
      const [l1V, l2V] = legV(s);
      return aMeterReading(s, { l1V, l2V, inlet1W: inletW(s), inlet1A: Math.abs(inletW(s)) / 120 });
    }),
    ...seconds(batteryOffsetS, toS, 10).map((s) =>
      aBatteryReading(s, { acW: acW(s), acA: Math.abs(acW(s)) / 120, gridPresent: grid(s) }),
    ),
  ];
}
const fromOutage = (watts: number) => (s: number) => (s < 100 ? 0 : watts);
/** What the meter of a closed panel shows when the grid is away and the leg is not fed. */
const deadPanel = (s: number) => (s < 100 ? ([120, 120] as const) : ([0, 0] as const));

describe('an inlet that feeds the panel in an outage', () => {
  it.each([-51, -80, -1500])('is told within 15 s at %s W', (watts) => {
    for (const batteryOffsetS of [0.5, 3, 6, 9.5]) {
      const [first] = raises(run(series({ inletW: fromOutage(watts), batteryOffsetS })));
      const delayS = Number(first?.split(' ').at(-1)) - 100;
      expect(delayS).toBeGreaterThanOrEqual(5);
      expect(delayS).toBeLessThanOrEqual(15);
    }
  });

  it('is told when it fed before the outage and goes on', () => {
    expect(raises(run(series({ inletW: () => -900 })))).toEqual(['inlet 1 105']);
  });

  it('is told through a clamp that sits backwards: the battery knows its own direction', () => {
    const events = series({ inletW: fromOutage(800), acW: fromOutage(-800) });
    expect(raises(run(events))).toHaveLength(1);
  });

  it('is told through a clamp without signal: one leg is live and only the battery can feed it', () => {
    const events = series({ inletW: () => 0, acW: fromOutage(-800) });
    expect(raises(run(events))).toHaveLength(1);
  });

  it('is told within 15 s where 240 V loads keep the other leg alive: it began with the outage', () => {
    for (const batteryOffsetS of [0.5, 3, 6, 9.5]) {
      const events = series({ inletW: fromOutage(-800), legV: () => [120, 90], batteryOffsetS });
      const [first] = raises(run(events));
      expect(Number(first?.split(' ').at(-1)) - 100).toBeLessThanOrEqual(15);
    }
  });

  it('is told from the second flag on where it fed before and the other leg stays alive', () => {
    const events = series({ inletW: () => -800, legV: () => [120, 90] });
    expect(raises(run(events))).toEqual(['inlet 1 113']);
  });

  it('clears when the battery stops, and when the grid is back', () => {
    const stops = series({ inletW: (s) => (s >= 100 && s < 200 ? -800 : 0), toS: 400 });
    expect(run(stops).map(({ type }) => type)).toEqual(['raised', 'cleared']);
    const back = series({ inletW: fromOutage(-800), grid: (s) => s < 100 || s > 200, toS: 400 });
    expect(run(back).map(({ type }) => type)).toEqual(['raised', 'cleared']);
  });
});

describe('what is no backfeed', () => {
  it.each<[string, House]>([
    ['50 W, the border', { inletW: fromOutage(-50) }],
    ['an outage with the battery at rest', { legV: deadPanel }],
    ['a battery that carries its backed-up circuit', { acW: fromOutage(-600), legV: deadPanel }],
    ['the same where the meter still sees voltage', { acW: fromOutage(-600), legV: () => [120, 120] }],
    [
      'feeding the house while the grid is there',
      { inletW: () => -900, grid: () => true, legV: () => [120, 120] },
    ],
    [
      'a grid flag that flickers once while the battery feeds as it may',
      { inletW: () => -900, grid: (s) => Math.abs(s - 153) > 5, legV: () => [120, 120] },
    ],
    [
      'a flag that is late by a reading when the grid returns',
      {
        inletW: (s) => (s < 100 || s >= 200 ? -900 : 0),
        grid: (s) => s < 105 || s > 205,
        legV: (s) => (s < 100 || s >= 200 ? [120, 120] : [0, 0]),
      },
    ],
    [
      'a flow that stops within 4 s of the outage',
      { inletW: (s) => (s < 104 ? -900 : 0), legV: (s) => (s < 104 ? [120, 120] : [0, 0]) },
    ],
    [
      'an inverter that ceases a moment after the grid, between two readings',
      { inletW: (s) => (s < 104 ? -900 : 0), legV: (s) => (s < 100 ? [120, 120] : [0, 0]) },
    ],
    [
      'a clamp that sits backwards on a battery that charges, with a wrong flag',
      { inletW: () => -900, acW: () => 900, legV: () => [120, 120] },
    ],
  ])('%s', (_, house) => {
    expect(run(series(house))).toEqual([]);
  });

  it('nothing is judged from the battery alone while the meter is not heard', () => {
    const events = series({ acW: fromOutage(-600) }).filter((e) => e.kind === 'battery' || e.at % 1e9 === 0);
    expect(run(events)).toEqual([]);
  });
});

it('tells the homeowner the danger plainly, and to open nothing', () => {
  const [first] = run(series({ inletW: () => -900 }));
  const finding = first?.type === 'raised' ? first.finding : undefined;
  expect(finding?.priority).toBe('critical');
  expect(finding?.words.headline).toBe(
    'Backfeed: inlet 1 feeds 900 W into the panel while the grid is away.',
  );
  expect(finding?.words.homeowner).toMatch(
    /^Danger: .*utility.*licensed electrician.*nothing for you to open/s,
  );
  expect(finding?.words.caution).toMatch(/Nobody opens or touches the panel/);
});
