// A self-test is owed a day after the first reading, and again after each change of firmware.

import { describe, expect, it } from 'vitest';
import type { SiteEvent } from '../event.ts';
import {
  aBatteryReading,
  aDeviceState,
  aMeterReading,
  aSite,
  clears,
  DAY_S,
  HOUR_S,
  raises,
  runSeries,
  START_MS,
  seconds,
} from '../test-support.ts';
import { selfTestMissing } from './self-test-missing.ts';

const site = aSite();
const run = (events: readonly SiteEvent[]) => runSeries(site, selfTestMissing, events);

describe('a self-test', () => {
  const readings = (days: number) => seconds(0, days * DAY_S, 60).map((s) => aBatteryReading(s));
  const test = (s: number, testS: number, passed: boolean, firmware = '1.0') =>
    aDeviceState(s, { firmware, selfTestAt: START_MS + testS * 1000, selfTestPassed: passed });

  it('is missed 24 h after the first reading', () => {
    const online = aDeviceState(0, { online: true, firmware: '1.0' });
    expect(run([online, ...readings(1)])).toEqual([]);
    const [first] = raises(run([online, ...readings(2)]));
    expect(first).toBe(`battery-1 ${DAY_S + 30}`);
  });

  it('is not missed when it passed within the day, and is when it failed', () => {
    expect(run([test(3600, 3500, true), ...readings(3)])).toEqual([]);
    expect(raises(run([test(3600, 3500, false), ...readings(3)]))).toHaveLength(1);
  });

  it('is owed anew after a change of firmware; the test before it does not count', () => {
    const before = test(3600, 3500, true);
    const after = test(2 * DAY_S, 3500, true, '2.0');
    const [first] = raises(run([before, after, ...readings(5)]));
    expect(Number(first?.split(' ')[1])).toBeGreaterThan(3 * DAY_S - 120);
    const tested = test(2 * DAY_S + 7200, 2 * DAY_S + 7000, true, '2.0');
    expect(run([before, after, tested, ...readings(5)])).toEqual([]);
  });

  it('clears when it is passed after all', () => {
    const online = aDeviceState(0, { firmware: '1.0' });
    const passed = test(2 * DAY_S, 2 * DAY_S - 60, true);
    expect(clears(run([online, passed, ...readings(3)]))).toHaveLength(1);
  });

  it('is missed of a device that never publishes a word of one', () => {
    expect(raises(run(readings(2)))).toEqual([`battery-1 ${DAY_S + 30}`]);
    expect(run(readings(1))).toEqual([]);
  });

  it('is asked of the meter as well, each device for itself', () => {
    const meter = seconds(0, 2 * DAY_S, 60).map((s) => aMeterReading(s));
    const passed = test(3600, 3500, true);
    expect(raises(run([passed, ...readings(2), ...meter]))).toEqual([`meter-1 ${DAY_S + 30}`]);
  });

  it('stays owed through another change of firmware', () => {
    const before = test(3600, 3500, true);
    const changes = [
      aDeviceState(HOUR_S * 30, { firmware: '2.0' }),
      test(HOUR_S * 31, HOUR_S * 31 - 60, false, '2.0'),
      aDeviceState(HOUR_S * 46, { firmware: '2.1' }),
    ];
    const [first] = raises(run([before, ...changes, ...readings(3)]));
    expect(Math.abs(Number(first?.split(' ')[1]) - 54 * HOUR_S)).toBeLessThan(120);
  });

  it('that was made before the first reading, at the bench, counts', () => {
    expect(run([test(-60, -86_400, true), ...readings(3)])).toEqual([]);
  });

  it('is missed after a change of firmware whose gap of ten minutes is no fault by itself', () => {
    const gap = readings(3).filter(
      ({ at }) => at < START_MS + DAY_S * 1000 || at > START_MS + DAY_S * 1000 + 600_000,
    );
    const before = test(3600, 3500, true);
    const updated = aDeviceState(DAY_S + 700, { firmware: '2.0' });
    const [first] = raises(run([before, updated, ...gap]));
    expect(Number(first?.split(' ')[1])).toBeGreaterThan(2 * DAY_S);
  });
});
