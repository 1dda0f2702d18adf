// 80 % of the breaker for three hours (NEC article 100 and 210.20(A)): 12 A or 1440 W on 15 A.

import { continuousLimitA, continuousLimitW } from '@afterwatt/electrical';
import { describe, expect, it } from 'vitest';
import type { SiteEvent } from '../event.ts';
import {
  aBatteryReading,
  aMeterReading,
  aSite,
  aStormMessage,
  HOME,
  inletFields,
  noise,
  portFields,
  raises,
  runSeries,
  START_MS,
  seconds,
} from '../test-support.ts';
import { inletContinuousLoad } from './inlet-continuous-load.ts';

const HOUR_S = 3600;
const site = aSite();
const run = (events: readonly SiteEvent[], on = site) => runSeries(on, inletContinuousLoad, events);
/** Meter and battery every 10 s; amps as a function of the second. */
const series = (amps: (s: number) => number, toS = 5 * HOUR_S): SiteEvent[] => [
  ...seconds(0, toS, 10).map((s) => aMeterReading(s, inletFields(amps(s)))),
  ...seconds(4, toS, 10).map((s) => aBatteryReading(s, portFields(amps(s)))),
];
const raisedAtS = (events: readonly SiteEvent[], on = site) =>
  raises(run(events, on)).map((raised) => Number(raised.split(' ').at(-1)));

it('the limit is 12 A and 1440 W on 15 A, 16 A on 20 A (NEC 210.20(A))', () => {
  expect([continuousLimitA(15), continuousLimitW(15, 120), continuousLimitA(20)]).toEqual([12, 1440, 16]);
});

describe('a continuous load', () => {
  it.each([12, 12.5, 14.9, -12.5])('of %s A is told after three hours', (amps) => {
    expect(raisedAtS(series(() => amps))).toEqual([3 * HOUR_S]);
  });

  it('is told by power alone: 11.6 A at 125 V is 1450 W', () => {
    const events = seconds(0, 4 * HOUR_S, 10).map((s) =>
      aMeterReading(s, { l1V: 125, ...inletFields(11.6, 125) }),
    );
    expect(raisedAtS(events)).toEqual([3 * HOUR_S]);
  });

  it('of a battery that charges with 1500 W on a 15 A inlet for more than three hours', () => {
    const charge = (s: number) => (s >= 600 && s < 600 + 3.2 * HOUR_S ? 12.5 : 0);
    const transitions = run(series(charge));
    expect(transitions.map(({ type }) => type)).toEqual(['raised', 'updated', 'cleared']);
    expect(transitions[0]?.detectedMs).toBe(START_MS + (600 + 3 * HOUR_S) * 1000);
  });

  it('goes on through a pause of four minutes', () => {
    expect(raisedAtS(series((s) => (s >= 5000 && s < 5240 ? 0 : 13)))).toEqual([3 * HOUR_S]);
  });

  it('is seen by the battery where the clamp reads half', () => {
    const events = [
      ...seconds(0, 4 * HOUR_S, 10).map((s) => aMeterReading(s, inletFields(6.2))),
      ...seconds(4, 4 * HOUR_S, 10).map((s) => aBatteryReading(s, portFields(12.4))),
    ];
    expect(raisedAtS(events)).toEqual([3 * HOUR_S + 4]);
  });

  it('is told early when a storm preparation will take three hours at that rate', () => {
    const big = aSite({ location: HOME, batteries: [{ device: 'battery-1', capacityWh: 8000 }] });
    const storm = aStormMessage({ sentS: 600, onsetS: 8 * HOUR_S, expiresS: 20 * HOUR_S });
    const charging = (socPct: number) => [
      storm,
      ...seconds(0, 2 * HOUR_S, 10).map((s) =>
        aBatteryReading(s, { ...portFields(s >= 700 ? 12.5 : 0), socPct }),
      ),
    ];
    const [raised] = run(charging(20), big);
    expect(raised?.detectedMs).toBe(START_MS + 1_300_000);
    expect(raised?.type === 'raised' && raised.finding.words.headline).toContain('will for');
    expect(run(charging(80), big)).toEqual([]);
  });

  it('of two inlets on one breaker adds up and is told on the first', () => {
    const inlets = [
      { number: 1 as const, breaker: 'garage' },
      { number: 2 as const, breaker: 'garage' },
    ];
    const shared = aSite({ inlets, batteries: [] });
    const both = { inlet1A: 6.5, inlet1W: 780, inlet2A: 6.5, inlet2W: 780 };
    const events = seconds(0, 4 * HOUR_S, 10).map((s) => aMeterReading(s, both));
    expect(raises(run(events, shared))).toEqual([`inlet 1 ${3 * HOUR_S}`]);
  });

  it.each<[string, (s: number) => number]>([
    ['just below the limit', () => 11.9],
    ['2 h 55 min', (s) => (s < 2.9 * HOUR_S ? 14 : 0)],
    ['two charges with a pause of ten minutes', (s) => (s >= 6000 && s < 6600 ? 0 : s < 15_000 ? 13 : 0)],
    ['cycling at half, whatever the peaks', (s) => (s % 240 < 120 ? 14 : 6)],
  ])('is not: %s', (_, amps) => {
    expect(run(series(amps))).toEqual([]);
  });

  it('is not: 79 % with a noise of 1 %', () => {
    const draw = noise(3);
    expect(run(series(() => 11.85 * (1 + 0.01 * draw())))).toEqual([]);
  });

  it('is not told across an hour without readings', () => {
    const events = series(() => 13).filter(({ at }) => {
      const s = (at - START_MS) / 1000;
      return s < 4000 || s > 7600;
    });
    expect(raisedAtS(events)).toEqual([]);
  });
});
