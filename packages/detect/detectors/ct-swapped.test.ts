// Exchanged clamps are told from the battery's steps, on the service even where every total comes out right.

import { describe, expect, it } from 'vitest';
import { startEngine } from '../engine.ts';
import {
  type Fitted,
  type HouseOptions,
  houseSeries,
  IN_PLACE,
  usualLoads,
} from '../models/wiring/test-house.ts';
import { aSite, runSeries, START_MS } from '../test-support.ts';
import { ctNoSignal } from './ct-no-signal.ts';
import { ctRatio } from './ct-ratio.ts';
import { inletCtReversed } from './inlet-ct-reversed.ts';
import { inletCtSwapped } from './inlet-ct-swapped.ts';
import { inletOverCap } from './inlet-over-cap.ts';
import { serviceCtReversed } from './service-ct-reversed.ts';
import { serviceCtSwapped } from './service-ct-swapped.ts';

const HOUR_S = 3600;
const DAY_S = 24 * HOUR_S;
const site = aSite();
const inletsOn = (first: 'L1' | 'L2', second: 'L1' | 'L2') =>
  aSite({
    inlets: [
      { number: 1, leg: first },
      { number: 2, leg: second },
    ],
    batteries: [
      { device: 'battery-1', inlet: 1 },
      { device: 'battery-2', inlet: 2 },
    ],
  });
/** Where panels may export at any time, no standing import tells of the clamps. */
const generating = aSite({ service: { otherGeneration: true } });
/** The second battery charges less, and later. */
const daily = (s: number, battery: number) => {
  const hour = (s / HOUR_S) % 24;
  return hour >= 1 + battery && hour < 4 ? 1200 - 500 * battery : 0;
};
const exchanged = (gain: number): readonly Fitted[] => [
  { on: 1, gain },
  { on: 0, gain },
];
const house = (on: typeof site, options: Partial<HouseOptions>) =>
  houseSeries({ seed: 9, site: on, toS: DAY_S, batteryW: daily, meterPeriodS: 10, ...options });

describe('service clamps on each other', () => {
  it.each([
    { why: 'arrows right', gain: 1, says: /sit on each other's legs\.$/ },
    {
      why: 'both arrows turned, silent in every sum',
      gain: -1,
      says: /the total is right, each leg is wrong/,
    },
  ])('are named within a day: $why', ({ gain, says }) => {
    const transitions = runSeries(site, serviceCtSwapped, [
      ...house(site, { service: () => exchanged(gain) }),
    ]);
    const raised = transitions.filter(({ type }) => type === 'raised');
    expect(raised.map(({ subject }) => subject)).toEqual(['service']);
    const last = transitions.at(-1);
    expect(last !== undefined && last.type !== 'cleared' ? last.finding.words.headline : '').toMatch(says);
  });
});

describe('service clamps put on each other where one leg carries nothing', () => {
  it.each([
    { gain: 1, why: 'arrows right' },
    { gain: -1, why: 'both arrows turned' },
  ])('are named, and not taken for a clamp that lost its signal: $why', ({ gain }) => {
    const on = aSite({ inlets: [{ number: 1, leg: 'L2' }] });
    const onL2 = usualLoads(9).filter(({ legsW }) => legsW[0] === 0);
    const events = house(on, {
      loads: [...onL2, { legsW: [0, 150], onS: 1e9, offS: 1 }],
      service: (s) => (s < 1.4 * DAY_S ? IN_PLACE : exchanged(gain)),
      toS: 4 * DAY_S,
    });
    const engine = startEngine(on, undefined, [serviceCtReversed, serviceCtSwapped, ctNoSignal, ctRatio]);
    const raised: string[] = [];
    for (const event of events) {
      for (const { type, kind } of engine.step(event)) if (type === 'raised') raised.push(kind);
    }
    expect(raised).toEqual(['service-ct-swapped']);
  });
});

describe('service clamps on each other, told by two channels at once', () => {
  const chargeS = [HOUR_S, 4 * HOUR_S] as const;
  it.each([
    { gain: -1, stepS: chargeS[0], which: 'first', why: 'silent in every sum' },
    { gain: 1, stepS: chargeS[1], which: 'second', why: 'the first might have met a 240 V load of its size' },
  ])('are named by the $which step of the battery, in quiet homes and busy ones: $why', ({ gain, stepS }) => {
    for (let seed = 1; seed <= 4; seed++) {
      const transitions = runSeries(site, serviceCtSwapped, [
        ...house(site, { seed, toS: stepS + 900, meterPeriodS: 5, service: () => exchanged(gain) }),
      ]);
      const [raise] = transitions.filter(({ type }) => type === 'raised');
      expect((raise?.detectedMs ?? Number.POSITIVE_INFINITY) - START_MS).toBeLessThan(1000 * (stepS + 300));
    }
  });
});

describe('a water heater that goes off as the battery begins to charge', () => {
  it('hides the charge on its own leg and makes it up on the other, which is no exchange of clamps', () => {
    // Once a minute; 1200 W of charge on L1, 1200 W less on either leg: L1 stays, L2 falls by what L1 should gain.
    const on = aSite({ service: { otherGeneration: true } });
    const loads = [
      { legsW: [300, 0], onS: 1100, offS: 2500 },
      { legsW: [0, 260], onS: 1300, offS: 2900 },
      { legsW: [1200, 1200], onS: 1800, offS: 1, dailyAtS: HOUR_S - 1800 },
    ] as const;
    const raised = [1, 2, 3, 4].flatMap((seed) =>
      runSeries(on, serviceCtSwapped, [
        ...house(on, { seed, toS: 2 * HOUR_S, meterPeriodS: 60, batteryPeriodS: 60, loads }),
      ]),
    );
    expect(raised).toEqual([]);
  });
});

describe('inlet clamps on each other', () => {
  it.each([
    { why: 'one leg', on: inletsOn('L1', 'L1') },
    { why: 'two legs, where the sign turns as well', on: inletsOn('L1', 'L2') },
  ])('are named within 5 min of the first charge: $why', ({ on }) => {
    const [raise, ...others] = runSeries(on, inletCtSwapped, [
      ...house(on, { inlets: () => exchanged(1), meterPeriodS: 5, toS: 1.5 * HOUR_S }),
    ]).filter(({ type }) => type === 'raised');
    expect(others).toEqual([]);
    expect(raise?.subject).toBe('inlets');
    expect((raise?.detectedMs ?? Number.POSITIVE_INFINITY) - START_MS).toBeLessThan(1000 * (HOUR_S + 300));
  });

  it('are told as exchanged, not as of other ratios, however long both batteries charge as they do', () => {
    const on = inletsOn('L1', 'L2');
    const charging = (s: number, battery: number) => (s > 900 ? 420 + 160 * battery : 0);
    const engine = startEngine(on, undefined, [inletCtReversed, inletCtSwapped, ctRatio]);
    for (const event of house(on, { inlets: () => exchanged(1), batteryW: charging, toS: 8 * HOUR_S })) {
      engine.step(event);
    }
    expect(engine.standing().map(({ kind }) => kind)).toEqual(['inlet-ct-swapped']);
  });

  it('put the blame on no service clamp, though they were right until then and both batteries start at once', () => {
    const on = { ...inletsOn('L1', 'L2'), service: generating.service };
    const fromS = 8 * HOUR_S;
    // Charging that fades proves the inlet clamps right, and steps on no leg; then both feed at once.
    const batteryW = (s: number, battery: number) => {
      if (s >= fromS + HOUR_S) return battery === 0 ? -984 : -571;
      return 4 + (700 - 200 * battery) * Math.max(0, Math.min(1, 5 - s / HOUR_S));
    };
    const events = house(on, {
      inlets: (s) => (s < fromS ? IN_PLACE : exchanged(1)),
      batteryW,
      meterPeriodS: 5,
      toS: fromS + 3 * HOUR_S,
    });
    const engine = startEngine(on, undefined, [serviceCtReversed, serviceCtSwapped, inletCtSwapped]);
    const raised: string[] = [];
    for (const event of events) {
      for (const { type, kind } of engine.step(event)) if (type === 'raised') raised.push(kind);
    }
    expect(raised).toEqual(['inlet-ct-swapped']);
  });

  it('are not asked for where there is one inlet', () => {
    expect(inletCtSwapped.subjects(site)).toEqual([]);
  });

  it('are not named while both batteries do the same', () => {
    const on = inletsOn('L1', 'L1');
    const same = house(on, { inlets: () => exchanged(1), batteryW: (s) => daily(s, 0) });
    expect(runSeries(on, inletCtSwapped, [...same])).toEqual([]);
  });

  it("put no load over another inlet's cap, once they are known to be exchanged", () => {
    const on = aSite({
      inlets: [
        { number: 1, leg: 'L1', capAmps: 10, capWatts: 1200 },
        { number: 2, leg: 'L2', capAmps: 15, capWatts: 1800 },
      ],
      batteries: [
        { device: 'battery-1', inlet: 1 },
        { device: 'battery-2', inlet: 2 },
      ],
    });
    // The first alone, so that they can be told apart; then both, the second by more than the first one's cap.
    const batteryW = (s: number, battery: number) =>
      battery === 0 ? (s > 600 ? 1150 : 0) : s > 2 * HOUR_S ? 1300 : 0;
    const kinds = (clamps: readonly Fitted[] | ((s: number) => readonly Fitted[]) | undefined) => {
      const engine = startEngine(on, undefined, [inletOverCap, inletCtSwapped]);
      const inlets = typeof clamps === 'function' ? clamps : () => clamps ?? IN_PLACE;
      return [...house(on, { inlets, batteryW, toS: 3 * HOUR_S, meterPeriodS: 5 })]
        .flatMap((event) => engine.step(event))
        .filter(({ type }) => type === 'raised')
        .map(({ kind }) => kind);
    };
    expect(kinds(exchanged(1))).toEqual(['inlet-ct-swapped']);
    // While both charge, by more than the smaller cap: nobody knew of it until then.
    const later = (s: number) => (s > 2.5 * HOUR_S ? exchanged(1) : IN_PLACE);
    expect(kinds(later)).toEqual(['inlet-ct-swapped']);
    expect(kinds(undefined)).toEqual([]);
  });
});
