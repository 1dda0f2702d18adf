// A reversed inlet CT is named within 3 min of the first charge or discharge; a right one never is.

import { describe, expect, it } from 'vitest';
import { houseSeries, uniform } from '../models/wiring/test-house.ts';
import {
  aBatteryReading,
  aMeterReading,
  aSite,
  inletFields,
  portFields,
  raises,
  runSeries,
  START_MS,
  seconds,
} from '../test-support.ts';
import { inletCtReversed } from './inlet-ct-reversed.ts';

const site = aSite();
/** The contract's own target: raised within this of the first charge or discharge. */
const TARGET_S = 180;

interface Sampling {
  readonly meterS?: number;
  readonly batteryS?: number;
}

/** Meter every 5 s, battery every 10 s; amps as functions of the second. The house draws 300 W and 200 W. */
function series(
  toS: number,
  meterA: (s: number) => number,
  batteryA: (s: number) => number,
  trueA = batteryA,
  { meterS = 5, batteryS = 10 }: Sampling = {},
) {
  return [
    ...seconds(0, toS, meterS).map((s) =>
      aMeterReading(s, { ...inletFields(meterA(s)), l1W: 300 + 120 * trueA(s), l2W: 200 }),
    ),
    ...seconds(3, toS, batteryS).map((s) => aBatteryReading(s, portFields(batteryA(s)))),
  ];
}
const from = (startS: number, amps: number) => (s: number) => (s >= startS ? amps : 0);

describe('a reversed inlet CT', () => {
  it.each([
    { amps: 8, why: 'the first charge' },
    { amps: -6, why: 'the first discharge' },
    { amps: 1, why: 'a charge of 120 W' },
    { amps: -0.7, why: 'a discharge of 84 W, behind a small load' },
  ])('is named within 3 min of $why', ({ amps }) => {
    const [raise, ...others] = raises(
      runSeries(site, inletCtReversed, series(900, from(100, -amps), from(100, amps))),
    );
    expect(others).toEqual([]);
    expect(raise).toMatch(/^inlet 1 /);
    expect(Number(raise?.split(' ')[2])).toBeLessThanOrEqual(100 + TARGET_S);
  });

  it.each([
    { meterPeriodS: 60, batteryPeriodS: 10, offsetS: 0 },
    { meterPeriodS: 5, batteryPeriodS: 60, offsetS: 0 },
    { meterPeriodS: 5, batteryPeriodS: 10, offsetS: 6 },
    { meterPeriodS: 5, batteryPeriodS: 10, offsetS: -6 },
  ])('is named in time at $meterPeriodS s and $batteryPeriodS s, clocks $offsetS s apart', (sampling) => {
    for (let seed = 1; seed <= 10; seed++) {
      const transitions = runSeries(site, inletCtReversed, [
        ...houseSeries({
          ...sampling,
          seed,
          site,
          toS: 1200,
          batteryW: (s) => (s > 600 ? 1200 : 0),
          inlets: () => [{ on: 0, gain: -1 }],
        }),
      ]);
      const [raise] = transitions.filter(({ type }) => type === 'raised');
      expect(raise?.subject).toBe('inlet 1');
      // A battery that reports once a minute says for the first time what it does up to a minute late.
      const lateS = sampling.batteryPeriodS === 60 ? 60 : 0;
      expect((raise?.detectedMs ?? Number.POSITIVE_INFINITY) - START_MS).toBeLessThanOrEqual(
        1000 * (600 + TARGET_S + lateS),
      );
    }
  });

  it.each([
    { meterS: 1, batteryS: 1 },
    { meterS: 1, batteryS: 60 },
    { meterS: 60, batteryS: 1 },
    { meterS: 60, batteryS: 60 },
    { meterS: 7, batteryS: 13 },
  ])('is named without noise at $meterS s and $batteryS s', (sampling) => {
    const events = series(3600, from(600, -8), from(600, 8), undefined, sampling);
    const [raise] = raises(runSeries(site, inletCtReversed, events));
    const slowestS = Math.max(sampling.meterS, sampling.batteryS);
    expect(Number(raise?.split(' ')[2])).toBeLessThanOrEqual(
      600 + TARGET_S + (slowestS > 20 ? 2 * slowestS : 0),
    );
  });

  it('is named within 3 min when it is turned in the middle of a charge', () => {
    const charge = from(300, 8);
    const events = series(7200, (s) => (s < 6000 ? charge(s) : -charge(s)), charge);
    const [raise] = raises(runSeries(site, inletCtReversed, events));
    expect(Number(raise?.split(' ')[2])).toBeGreaterThan(6000);
    expect(Number(raise?.split(' ')[2])).toBeLessThanOrEqual(6000 + TARGET_S);
  });

  it('clears by itself within 5 min of charging once the clamp has been turned', () => {
    const events = series(
      1200,
      (s) => (s < 600 ? -8 : 8),
      () => 8,
    );
    const transitions = runSeries(site, inletCtReversed, events);
    expect(transitions.map(({ type }) => type)).toContain('cleared');
    const cleared = transitions.find(({ type }) => type === 'cleared');
    expect((cleared?.atMs ?? 0) - START_MS).toBeLessThan(900_000);
  });

  it('is found again when it is turned after months of proof', () => {
    const events = series(
      7200,
      (s) => (s < 6000 ? 8 : -8),
      () => 8,
    );
    const [raise] = raises(runSeries(site, inletCtReversed, events));
    expect(Number(raise?.split(' ')[2])).toBeLessThan(6000 + 240);
  });
});

describe('a right inlet CT', () => {
  it.each([
    { amps: 0.4, why: 'standby draw, where a clamp may show any sign' },
    { amps: 0, why: 'a battery idle for an hour' },
  ])('is not judged by $why', ({ amps }) => {
    expect(
      runSeries(
        site,
        inletCtReversed,
        series(
          3600,
          () => -amps,
          () => amps,
        ),
      ),
    ).toEqual([]);
  });

  it('is not blamed for a battery that changes direction every half minute, whatever the clocks', () => {
    const direction = (s: number) => (Math.floor(s / 30) % 2 === 0 ? 8 : -8);
    for (const lagS of [-8, -4, 0, 4, 8]) {
      const events = series(3600, direction, (s) => direction(s + lagS));
      expect(runSeries(site, inletCtReversed, events)).toEqual([]);
    }
  });

  it('is not blamed for a battery that hunts between charging and feeding, by turns of any length', () => {
    for (const turnS of [4, 7, 10, 12.5, 15, 20, 25, 40, 60]) {
      const hunting = (s: number) => (s < 3600 || Math.floor(s / turnS) % 2 === 0 ? 13.5 : -8);
      for (const lagS of [-4, 0, 3]) {
        const events = series(3 * 3600, hunting, (s) => hunting(s + lagS), hunting);
        expect(runSeries(site, inletCtReversed, events), `${turnS} s, ${lagS} s`).toEqual([]);
      }
    }
  });

  const FROZEN_S = 5000;
  const turning = (s: number) => (Math.floor(s / 3600) % 2 === 0 ? 7 : -7);

  it.each([
    { why: 'a battery whose figure has frozen', channelA: turning, batteryA: () => turning(FROZEN_S) },
    { why: 'a channel that has frozen', channelA: () => turning(FROZEN_S), batteryA: turning },
    {
      why: 'a battery that tells what it did two minutes ago',
      channelA: turning,
      batteryA: (s: number) => turning(s - 120),
    },
  ])('is not blamed for $why', ({ channelA, batteryA }) => {
    const proven = (amps: (s: number) => number) => (s: number) => (s < FROZEN_S ? turning(s) : amps(s));
    const events = series(10 * 3600, proven(channelA), proven(batteryA), turning);
    expect(runSeries(site, inletCtReversed, events)).toEqual([]);
  });

  it('is not blamed when the battery clock jumps by a minute while it changes direction', () => {
    const direction = (s: number) => (Math.floor(s / 1800) % 2 === 0 ? 8 : -8);
    const events = series(6 * 3600, direction, (s) => direction(s > 5000 ? s + 60 : s));
    expect(runSeries(site, inletCtReversed, events)).toEqual([]);
  });

  it('is not blamed for a modulating battery', () => {
    const random = uniform(7);
    const amps = seconds(0, 7200, 1).map(
      (s) => (Math.floor(s / 900) % 2 === 0 ? 8 : -4) * (0.6 + 0.8 * random()),
    );
    const at = (s: number) => amps[Math.floor(s / 10) * 10] ?? 0;
    expect(runSeries(site, inletCtReversed, series(7200, at, at))).toEqual([]);
  });
});
