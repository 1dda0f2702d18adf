// Lost readings, a weak radio, a wrong clock and a missing self-test are told from what looks like them.

import { describe, expect, it } from 'vitest';
import type { Detector } from '../detector.ts';
import type { DeviceState, Lags, SiteEvent } from '../event.ts';
import {
  aBatteryReading,
  aDeviceState,
  aMeterReading,
  aSite,
  clears,
  noise,
  raises,
  runSeries,
  START_MS,
  seconds,
} from '../test-support.ts';
import { deviceClockSkew } from './device-clock-skew.ts';
import { deviceSilent } from './device-silent.ts';
import { radioWeak } from './radio-weak.ts';
import { readingsLost } from './readings-lost.ts';
import { selfTestMissing } from './self-test-missing.ts';

const site = aSite();
const run = (detector: Detector, events: readonly SiteEvent[]) => runSeries(site, detector, events);
const HOUR_S = 3600;

function lags(s: number, leastS: Record<string, number>, late: Record<string, number> = {}): Lags {
  const leastMs = Object.fromEntries(Object.entries(leastS).map(([device, lag]) => [device, lag * 1000]));
  return { kind: 'lags', at: START_MS + s * 1000, leastMs, late };
}

describe('lost readings', () => {
  /** A meter at 5 s whose readings are lost by chance. */
  function lossy(hours: number, share: number, seed = 7, seq = (i: number) => i): SiteEvent[] {
    const random = uniform(seed);
    return seconds(0, hours * HOUR_S, 5)
      .map((s, i) => aMeterReading(s, { seq: seq(i) }))
      .filter(() => random() >= share);
  }

  it.each([
    { share: 0.03, hours: 8 },
    { share: 0.1, hours: 2 },
    { share: 0.4, hours: 2 },
  ])('are told at $share within $hours h', ({ share, hours }) => {
    expect(raises(run(readingsLost, lossy(hours, share))).map((text) => text.split(' ')[0])).toEqual([
      'meter-1',
    ]);
  });

  it.each([0, 0.002, 0.005])('are not told at %d in a month', (share) => {
    expect(run(readingsLost, lossy(720, share))).toEqual([]);
  });

  it('are not told when the counter begins anew at a restart', () => {
    expect(
      run(
        readingsLost,
        lossy(12, 0, 7, (i) => i % 137),
      ),
    ).toEqual([]);
    expect(
      run(
        readingsLost,
        lossy(12, 0, 7, (i) => i + 100_000 * Math.floor(i / 137)),
      ),
    ).toEqual([]);
  });

  it('are not told of a silence or of one short break', () => {
    const silence = lossy(12, 0).filter(({ at }) => at < START_MS + 7_200_000 || at > START_MS + 14_400_000);
    const shortBreak = lossy(12, 0).filter(
      ({ at }) => at < START_MS + 7_200_000 || at > START_MS + 7_400_000,
    );
    expect(run(readingsLost, silence)).toEqual([]);
    expect(run(readingsLost, shortBreak)).toEqual([]);
  });

  it('are none when they come late', () => {
    const random = uniform(3);
    const all = lossy(6, 0).map((event) => ({ event, held: random() < 0.1 }));
    // Some seconds late: out of their place. Much later: only their number is told.
    const prompt = all.filter(({ held }) => !held).map(({ event }) => event);
    const told = seconds(300, 6 * HOUR_S, 300).map((s) => {
      const within = all.filter(
        ({ event, held }) =>
          held && event.at < START_MS + s * 1000 && event.at >= START_MS + (s - 300) * 1000,
      );
      return lags(s, {}, { 'meter-1': within.length });
    });
    expect(raises(run(readingsLost, prompt))).toHaveLength(1);
    expect(run(readingsLost, [...prompt, ...told])).toEqual([]);
  });

  it('clear once nothing is lost any more', () => {
    const mended = lossy(12, 0).filter(({ at }) => at >= START_MS + 4 * HOUR_S * 1000);
    const before = lossy(4, 0.1);
    expect(clears(run(readingsLost, [...before, ...mended]))).toHaveLength(1);
  });
});

describe('a weak radio', () => {
  const radio = (hours: number, rssi: (s: number) => number) =>
    seconds(0, hours * HOUR_S, 10).map((s) => aBatteryReading(s, { rssiDbm: rssi(s) }));

  it.each([
    { dbm: -76, raised: 1 },
    { dbm: -75, raised: 0 },
  ])('is told from its median over an hour: $dbm dBm', ({ dbm, raised }) => {
    const random = noise(5);
    // A third of the readings far below does not move the median.
    const rssi = (s: number) => (s % 30 === 0 ? -95 : dbm + Math.max(0, Math.round(2 * random())));
    const level = raised === 1 ? () => dbm : rssi;
    expect(raises(run(radioWeak, radio(6, level)))).toHaveLength(raised);
  });

  it('is told within an hour and a quarter', () => {
    const [first] = raises(
      run(
        radioWeak,
        radio(6, (s) => (s < 7200 ? -60 : -80)),
      ),
    );
    expect(Number(first?.split(' ')[1])).toBeLessThanOrEqual(7200 + 4500);
  });

  it('is not told of half an hour in the way', () => {
    expect(
      run(
        radioWeak,
        radio(6, (s) => (s > 7200 && s < 9000 ? -90 : -60)),
      ),
    ).toEqual([]);
  });

  it('clears from 3 dB above the limit', () => {
    const level = (to: number) => (s: number) => (s < 7200 ? -80 : to);
    expect(clears(run(radioWeak, radio(6, level(-72))))).toHaveLength(1);
    expect(clears(run(radioWeak, radio(6, level(-73))))).toEqual([]);
  });
});

describe('a clock that is wrong', () => {
  /** Told every 5 min for an hour. */
  const told = (leastS: (i: number) => Record<string, number>) => [
    ...seconds(0, HOUR_S, 10).map((s) => aBatteryReading(s)),
    ...seconds(300, HOUR_S, 300).map((s, i) => lags(s, leastS(i))),
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
      const [raised] = run(deviceClockSkew, switching(aheadS));
      if (raised?.type !== 'raised') throw new Error('nothing was raised');
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
      lags(s, { 'meter-1': 0, 'battery-1': s < 600 ? 1 : 3600 }),
    );
    expect(run(deviceSilent, [...meter, ...battery, ...later])).toEqual([]);
    // The first minutes after the jump are told together with those before it: latecomers give it away.
    const mixed = later.map((told, i) =>
      i === 2 ? lags(900, { 'battery-1': 1 }, { 'battery-1': 29 }) : told,
    );
    expect(run(deviceSilent, [...meter, ...battery, ...mixed])).toEqual([]);
    expect(raises(run(deviceSilent, [...meter, ...battery]))).toHaveLength(1);
  });
});

describe('a self-test', () => {
  const DAY_S = 24 * HOUR_S;
  const readings = (days: number) => seconds(0, days * DAY_S, 60).map((s) => aBatteryReading(s));
  const test = (s: number, testS: number, passed: boolean, firmware = '1.0') =>
    aDeviceState(s, { firmware, selfTestAt: START_MS + testS * 1000, selfTestPassed: passed });

  it('is missed 24 h after the first reading', () => {
    const online = aDeviceState(0, { online: true, firmware: '1.0' });
    expect(run(selfTestMissing, [online, ...readings(1)])).toEqual([]);
    const [first] = raises(run(selfTestMissing, [online, ...readings(2)]));
    expect(first).toBe(`battery-1 ${DAY_S + 30}`);
  });

  it('is not missed when it passed within the day, and is when it failed', () => {
    expect(run(selfTestMissing, [test(3600, 3500, true), ...readings(3)])).toEqual([]);
    expect(raises(run(selfTestMissing, [test(3600, 3500, false), ...readings(3)]))).toHaveLength(1);
  });

  it('is owed anew after a change of firmware; the test before it does not count', () => {
    const before = test(3600, 3500, true);
    const after = test(2 * DAY_S, 3500, true, '2.0');
    const [first] = raises(run(selfTestMissing, [before, after, ...readings(5)]));
    expect(Number(first?.split(' ')[1])).toBeGreaterThan(3 * DAY_S - 120);
    const tested = test(2 * DAY_S + 7200, 2 * DAY_S + 7000, true, '2.0');
    expect(run(selfTestMissing, [before, after, tested, ...readings(5)])).toEqual([]);
  });

  it('clears when it is passed after all', () => {
    const online = aDeviceState(0, { firmware: '1.0' });
    const passed = test(2 * DAY_S, 2 * DAY_S - 60, true);
    expect(clears(run(selfTestMissing, [online, passed, ...readings(3)]))).toHaveLength(1);
  });

  it('is not asked of a device that never publishes its state', () => {
    expect(run(selfTestMissing, readings(3))).toEqual([]);
  });
});

/** Uniform between 0 and 1, repeatable. */
function uniform(seed: number): () => number {
  let state = seed;
  return () => {
    state = (Math.imul(state, 1_103_515_245) + 12_345) & 0x7fffffff;
    return state / 0x80000000;
  };
}
