// Readings that get lost are told by the device's own counter, from what looks like loss and is none.

import { describe, expect, it } from 'vitest';
import type { SiteEvent } from '../event.ts';
import {
  aBatteryReading,
  aLags,
  aMeterReading,
  aSite,
  clears,
  HOUR_S,
  raises,
  runSeries,
  START_MS,
  seconds,
  uniform,
} from '../test-support.ts';
import { readingsLost } from './readings-lost.ts';

const site = aSite();
const run = (events: readonly SiteEvent[]) => runSeries(site, readingsLost, events);

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
    expect(raises(run(lossy(hours, share))).map((text) => text.split(' ')[0])).toEqual(['meter-1']);
  });

  it.each([0, 0.002, 0.005])('are not told at %d in a month', (share) => {
    expect(run(lossy(720, share))).toEqual([]);
  });

  it('are not told when the counter begins anew at a restart', () => {
    expect(run(lossy(12, 0, 7, (i) => i % 137))).toEqual([]);
    expect(run(lossy(12, 0, 7, (i) => i + 100_000 * Math.floor(i / 137)))).toEqual([]);
  });

  it('are not told of a silence or of one short break', () => {
    const silence = lossy(12, 0).filter(({ at }) => at < START_MS + 7_200_000 || at > START_MS + 14_400_000);
    const shortBreak = lossy(12, 0).filter(
      ({ at }) => at < START_MS + 7_200_000 || at > START_MS + 7_400_000,
    );
    expect(run(silence)).toEqual([]);
    expect(run(shortBreak)).toEqual([]);
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
      return aLags(s, {}, { 'meter-1': within.length });
    });
    expect(raises(run(prompt))).toHaveLength(1);
    expect(run([...prompt, ...told])).toEqual([]);
  });

  it('are none when a clock is set back: those in between come late, before the gap is seen', () => {
    // At 3 h: what it sends until that is known, 150 s by its clock, is of a time already judged; and 100 s more.
    const isJudged = (s: number) => (s >= 10_800 && s < 10_950) || (s >= 11_100 && s < 11_200);
    const all = seconds(0, 4 * HOUR_S, 5).map((s, i) => ({ s, seq: s < 10_800 ? i : i + 30 }));
    const heard = all.filter(({ s }) => !isJudged(s)).map(({ s, seq }) => aMeterReading(s, { seq }));
    const late = [aLags(10_850, {}, { 'meter-1': 30 }), aLags(10_900, {}, { 'meter-1': 60 })];
    expect(raises(run(heard))).toHaveLength(1);
    expect(run([...heard, ...late])).toEqual([]);
  });

  it('clear once nothing is lost any more', () => {
    const mended = lossy(12, 0).filter(({ at }) => at >= START_MS + 4 * HOUR_S * 1000);
    const before = lossy(4, 0.1);
    expect(clears(run([...before, ...mended]))).toHaveLength(1);
  });
});

/** An hour and a half of counted readings of which those with these places never come. */
function counted(
  periodS: number,
  isLost: (i: number) => boolean,
  hours = 1.5,
  reading: typeof aMeterReading | typeof aBatteryReading = aMeterReading,
): SiteEvent[] {
  return seconds(0, hours * HOUR_S, periodS)
    .map((s, i) => ({ i, event: reading(s, { seq: 1000 + i }) }))
    .filter(({ i }) => i === 0 || !isLost(i))
    .map(({ event }) => event);
}

describe('3 % lost in an hour', () => {
  const everyNth = (n: number) => (i: number) => i % n === 0;
  it.each([
    { why: 'evenly, a meter at 5 s', events: counted(5, everyNth(33), 1) },
    { why: 'evenly, a battery at 10 s', events: counted(10, everyNth(33), 1, aBatteryReading) },
    { why: 'evenly, at 1 s', events: counted(1, everyNth(33), 1) },
    { why: 'evenly, once a minute, within six hours', events: counted(60, everyNth(33), 6) },
    { why: 'in bursts of 7, every 20 min', events: counted(5, (i) => i % 240 >= 120 && i % 240 < 127, 1) },
    { why: 'in two bursts of a minute', events: counted(5, (i) => i % 360 >= 100 && i % 360 < 112, 1) },
    {
      why: 'though it reports every second and is registered with ten',
      events: counted(1, (i) => i % 600 >= 300 && i % 600 < 318, 1, aBatteryReading),
    },
  ])('are told: $why', ({ events }) => {
    expect(raises(run(events))).toHaveLength(1);
  });

  it('are told within the hour in which they are lost', () => {
    expect(Number(raises(run(counted(5, everyNth(33))))[0]?.split(' ')[1])).toBeLessThanOrEqual(HOUR_S);
  });

  it('are told, though the device is silent after it', () => {
    const hour = counted(10, everyNth(33), 1, aBatteryReading);
    const meter = seconds(0, 3 * HOUR_S, 5).map((s) => aMeterReading(s));
    expect(raises(run([...hour, ...meter]))).toHaveLength(1);
  });

  it.each([
    { why: '0.9 % evenly', events: counted(5, everyNth(111), 12) },
    { why: 'one burst of two minutes', events: counted(5, (i) => i > 300 && i <= 324, 3) },
    {
      why: 'a counter that stands still',
      events: seconds(0, 7200, 5).map((s) => aMeterReading(s, { seq: 7 })),
    },
    { why: 'no counter', events: seconds(0, 7200, 5).map((s) => aMeterReading(s)) },
    {
      why: 'a counter of 16 bits that runs over',
      events: seconds(0, 7200, 5).map((s, i) => aMeterReading(s, { seq: (65_000 + i) % 65_536 })),
    },
    {
      why: 'a firmware update: 4 min away, and the counter goes on',
      events: seconds(0, 7200, 5)
        .filter((s) => s < 3600 || s >= 3840)
        .map((s) => aMeterReading(s, { seq: s < 3600 ? s / 5 : s / 5 - 48 })),
    },
  ])('are not: $why', ({ events }) => {
    expect(run(events)).toEqual([]);
  });
});
