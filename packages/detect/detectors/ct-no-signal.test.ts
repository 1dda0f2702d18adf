// A clamp that shows nothing is named once something must flow there; a leg or inlet on which nothing runs is not.

import { describe, expect, it } from 'vitest';
import type { SiteEvent } from '../event.ts';
import { type HouseOptions, houseSeries, usualLoads } from '../models/wiring/test-house.ts';
import { aSite, runSeries, START_MS } from '../test-support.ts';
import { ctNoSignal } from './ct-no-signal.ts';

const site = aSite();
const HOUR_S = 3600;
const DAY_S = 24 * HOUR_S;
const daily = (s: number) => {
  const hour = (s / HOUR_S) % 24;
  if (hour >= 1 && hour < 3) return 1200;
  return hour >= 5 && hour < 8 ? -900 : 0;
};
const dead =
  (channel: number, fromS = 0) =>
  (s: number) =>
    [0, 1].map((on) => ({ on, gain: on === channel && s >= fromS ? 0 : 1 }));
const house = (options: Partial<HouseOptions>) =>
  houseSeries({ seed: 4, site, toS: 2 * DAY_S, batteryW: daily, meterPeriodS: 15, ...options });

function told(events: Iterable<SiteEvent>): string[] {
  return runSeries(site, ctNoSignal, [...events])
    .filter(({ type }) => type !== 'updated')
    .map(({ type, subject }) => `${type} ${subject}`);
}

describe('a clamp without signal', () => {
  it.each([
    { subject: 'L1', why: 'the battery steps and it does not show', options: { service: dead(0) } },
    {
      subject: 'L2',
      why: 'voltages answer to loads it does not show',
      options: { service: dead(1), toS: 4 * DAY_S },
    },
    {
      subject: 'L2',
      why: 'it came off a leg that always carried something',
      options: { service: dead(1, DAY_S + 7 * HOUR_S) },
    },
    { subject: 'inlet 1', why: 'the battery charges and it does not show', options: { inlets: dead(0) } },
  ])('is named: $subject, $why', ({ subject, options }) => {
    expect(told(house(options))).toEqual([`raised ${subject}`]);
  });

  it('is named where a trace of its current is left, though much of it flows while the battery steps', () => {
    // 0.3 % of a car charger's 3800 W on the leg is 11 W; it runs while the battery on the other leg charges.
    const trace = [
      { on: 0, gain: 1 },
      { on: 1, gain: 0.003 },
    ];
    const car = { legsW: [3800, 3800] as const, onS: 3 * HOUR_S, offS: 1, dailyAtS: HOUR_S / 2 };
    const loads = [...usualLoads(4), { legsW: [150, 120] as const, onS: 1e9, offS: 1 }, car];
    const series = { service: () => trace, loads, toS: 3 * DAY_S };
    expect(told(house(series))).toEqual(['raised L2']);
  });

  it('is named within 5 min of the first charge on an inlet', () => {
    const [raise] = runSeries(site, ctNoSignal, [
      ...house({ inlets: dead(0), meterPeriodS: 5, toS: 2 * HOUR_S }),
    ]);
    expect((raise?.detectedMs ?? Number.POSITIVE_INFINITY) - START_MS).toBeLessThan(1000 * (HOUR_S + 300));
  });

  it('is named within 5 min of coming off in the middle of a charge', () => {
    const offS = 2 * HOUR_S;
    const [raise] = runSeries(site, ctNoSignal, [
      ...house({ inlets: dead(0, offS), meterPeriodS: 5, toS: 3 * HOUR_S }),
    ]);
    expect(raise?.subject).toBe('inlet 1');
    expect((raise?.detectedMs ?? Number.POSITIVE_INFINITY) - START_MS).toBeLessThan(1000 * (offS + 300));
  });

  it('clears when it shows again', () => {
    const mended = (s: number) => dead(0, s < DAY_S ? 0 : Number.POSITIVE_INFINITY)(s);
    expect(told(house({ service: mended }))).toEqual(['raised L1', 'cleared L1']);
  });
});

describe('a leg that carries only what panels give', () => {
  it('has no dead clamp, though it shows nothing night after night', () => {
    const on = aSite({ service: { otherGeneration: true } });
    const onL1Only = usualLoads(4).filter(({ legsW }) => legsW[1] === 0);
    const sunW = (s: number) => Math.max(0, 2000 * Math.cos((2 * Math.PI * s) / DAY_S));
    const events = houseSeries({
      seed: 4,
      site: on,
      toS: 9 * DAY_S,
      batteryW: daily,
      meterPeriodS: 60,
      batteryPeriodS: 60,
      loads: [...onL1Only, { legsW: [150, 0], onS: 1e9, offS: 1 }],
      generationW: (s) => [0, sunW(s)],
    });
    expect(runSeries(on, ctNoSignal, [...events])).toEqual([]);
  });
});

describe('nothing to show', () => {
  const onL1 = usualLoads(4).filter(({ legsW }) => legsW[1] === 0);
  it.each([
    {
      why: 'a house with nothing at all on L2',
      options: { loads: [...onL1, { legsW: [150, 0] as const, onS: 1e9, offS: 1 }] },
    },
    { why: 'an inlet whose battery is idle', options: { batteryW: () => 0 } },
    { why: 'an outage', options: { outage: (s: number) => s > DAY_S } },
    {
      why: 'a battery that keeps its leg at zero',
      options: { batteryW: (_s: number, _b: number, w: readonly number[]) => -(w[0] ?? 0) },
    },
  ])('is no dead clamp: $why', ({ options }) => {
    expect(told(house(options))).toEqual([]);
  });
});
