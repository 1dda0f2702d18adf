// A wrong clock is known by arrival, by its own word or by the steps of battery and meter, and not from a delay.

import { describe, expect, it } from 'vitest';
import type { Detector } from '../detector.ts';
import type { DeviceState, SiteEvent } from '../event.ts';
import {
  aBatteryReading,
  aDeviceState,
  aLags,
  aMeterReading,
  aSite,
  clears,
  firstRaise,
  HOUR_S,
  raises,
  runSeries,
  START_MS,
  seconds,
  uniform,
} from '../test-support.ts';
import { deviceClockSkew } from './device-clock-skew.ts';
import { deviceSilent } from './device-silent.ts';

const site = aSite();
const run = (detector: Detector, events: readonly SiteEvent[]) => runSeries(site, detector, events);

describe('a clock that is wrong', () => {
  /** Told every 5 min for an hour. */
  const told = (leastS: (i: number) => Record<string, number>) => [
    ...seconds(0, HOUR_S, 10).map((s) => aBatteryReading(s)),
    ...seconds(300, HOUR_S, 300).map((s, i) => aLags(s, leastS(i))),
  ];

  it.each([
    { lagS: -31, why: 'ahead: no reading comes before it is taken' },
    { lagS: 31, why: 'behind, while the battery is on time' },
    { lagS: 3600, why: 'an hour behind' },
  ])('is known by the arrival of its readings: $lagS s, $why', ({ lagS }) => {
    const skewed = told((i) => ({ 'meter-1': lagS + Math.sign(lagS) * (i % 3), 'battery-1': 1 }));
    expect(raises(run(deviceClockSkew, skewed)).map((text) => text.split(' ')[0])).toEqual(['meter-1']);
  });

  it.each([
    {
      why: 'it is 30 s behind, the border, and the way takes a moment',
      leastS: () => ({ 'meter-1': 30.4, 'battery-1': 0.5 }),
    },
    { why: 'it is 30 s ahead, the border', leastS: () => ({ 'meter-1': -29.6, 'battery-1': 0.4 }) },
    { why: 'its readings come a little late', leastS: () => ({ 'meter-1': 29, 'battery-1': 1 }) },
    { why: 'a backlog is coming in', leastS: (i: number) => ({ 'meter-1': 5000 - 400 * i, 'battery-1': 1 }) },
    { why: 'the whole site comes late', leastS: () => ({ 'meter-1': 90, 'battery-1': 92 }) },
    {
      why: 'one reading was ahead once',
      leastS: (i: number) => ({ 'meter-1': i === 4 ? -60 : 0, 'battery-1': 1 }),
    },
  ])('is not accused when $why', ({ leastS }) => {
    expect(run(deviceClockSkew, told(leastS))).toEqual([]);
  });

  const states = (offsetsS: readonly number[]): DeviceState[] =>
    offsetsS.map((offset, i) => {
      const s = 600 * (i + 1);
      return aDeviceState(s, { clockAt: START_MS + (s + offset) * 1000 });
    });
  const readings = seconds(0, 2 * HOUR_S, 10).map((s) => aBatteryReading(s));

  it('is told at the first reading of a site whose device told its clock before', () => {
    const untold = run(deviceClockSkew, states([300, 300, 300]));
    expect(untold).toEqual([]);
    const begins = seconds(2000, 2100, 10).map((s) => aBatteryReading(s));
    const [raised] = run(deviceClockSkew, [...states([300, 300, 300]), ...begins]);
    expect(raised?.atMs).toBeGreaterThanOrEqual(START_MS);
  });

  it('is known by its own clock: at once ahead, when it says the same twice behind', () => {
    expect(raises(run(deviceClockSkew, [...readings, ...states([31])]))).toHaveLength(1);
    expect(raises(run(deviceClockSkew, [...readings, ...states([-600, -601])]))).toHaveLength(1);
  });

  it('is not accused when a state message was held up, or is a little off', () => {
    expect(run(deviceClockSkew, [...readings, ...states([-600, -1])])).toEqual([]);
    expect(run(deviceClockSkew, [...readings, ...states([29, -29])])).toEqual([]);
  });

  it('clears when the clock is set', () => {
    expect(clears(run(deviceClockSkew, [...readings, ...states([120, 0])]))).toHaveLength(1);
    const set = told((i) => ({ 'meter-1': i < 6 ? -120 : 0, 'battery-1': 1 }));
    expect(clears(run(deviceClockSkew, set))).toHaveLength(1);
  });

  /** A battery that switches between resting, charging and feeding at odd times, and what its inlet shows. */
  function switching(batteryAheadS: number): SiteEvent[] {
    const random = uniform(11);
    const changes = Array.from({ length: 14 }, (_, i) => ({
      at: 900 * i + 600 * random(),
      w: [1400, 0, -800, 0, 1000, -500][i % 6] ?? 0,
    }));
    const powerAt = (s: number) => changes.findLast(({ at }) => at <= s)?.w ?? 0;
    return [
      ...seconds(0, 4 * HOUR_S, 5).map((s) => aMeterReading(s, { inlet1W: -powerAt(s) + (s % 3) })),
      ...seconds(2, 4 * HOUR_S, 10).map((s) =>
        aBatteryReading(s + batteryAheadS, { acW: powerAt(s) + (s % 4) }),
      ),
    ];
  }

  it.each([45, -45, 600, -1800])(
    'is known in a backlog by the steps of battery and meter: %d s',
    (aheadS) => {
      const raised = firstRaise(run(deviceClockSkew, switching(aheadS)));
      expect(Math.abs(Number(raised.finding.facts['offsetMs']) / 1000 - aheadS)).toBeLessThan(8);
    },
  );

  it.each([0, 5, -8])('is not accused of a few seconds: %d s', (aheadS) => {
    expect(run(deviceClockSkew, switching(aheadS))).toEqual([]);
  });

  it('is not taken for silence', () => {
    const meter = seconds(0, 2 * HOUR_S, 5).map((s) => aMeterReading(s));
    const battery = seconds(0, 600, 10).map((s) => aBatteryReading(s));
    const later = seconds(300, 2 * HOUR_S, 300).map((s) =>
      aLags(s, { 'meter-1': 0, 'battery-1': s < 600 ? 1 : 3600 }),
    );
    expect(run(deviceSilent, [...meter, ...battery, ...later])).toEqual([]);
    // The first minutes after the jump are told together with those before it: latecomers give it away.
    const mixed = later.map((told, i) =>
      i === 2 ? aLags(900, { 'battery-1': 1 }, { 'battery-1': 29 }) : told,
    );
    expect(run(deviceSilent, [...meter, ...battery, ...mixed])).toEqual([]);
    expect(raises(run(deviceSilent, [...meter, ...battery]))).toHaveLength(1);
  });
});
