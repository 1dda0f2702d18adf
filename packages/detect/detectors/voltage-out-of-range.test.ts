// ANSI C84.1 service voltage: range A 114 to 126 V as 10 min values (IEC 61000-4-30: mean square, aligned to
// the clock), range B 110 to 127 V after a minute.

import { describe, expect, it } from 'vitest';
import type { SiteEvent } from '../event.ts';
import {
  aBatteryReading,
  aMeterReading,
  aSite,
  raises,
  runSeries,
  START_MS,
  seconds,
} from '../test-support.ts';
import { voltageOutOfRange } from './voltage-out-of-range.ts';

const site = aSite();
const run = (events: readonly SiteEvent[], on = site) => runSeries(on, voltageOutOfRange, events);
const ofL1 = (volts: (s: number) => number, toS = 3 * 3600) =>
  seconds(0, toS, 5).map((s) => aMeterReading(s, { l1V: volts(s), l2V: 120 }));

it('the series starts on a 10 min tick of the UTC clock', () => {
  expect(START_MS % 600_000).toBe(0);
});

describe('range A, as 10 min values', () => {
  it.each([
    { volts: 126.1, why: 'above 126 V', told: ['L1 600'] },
    { volts: 113.9, why: 'below 114 V', told: ['L1 600'] },
    { volts: 126, why: 'at the limit, which belongs to the range', told: [] },
    { volts: 114, why: 'at the limit', told: [] },
  ])('$volts V is told after the interval: $why', ({ volts, told }) => {
    expect(raises(run(ofL1(() => volts)))).toEqual(told);
  });

  it('aggregates by mean square: half at 112, half at 127.3 V has a mean of 119.7 and an rms of 119.9', () => {
    expect(run(ofL1((s) => (s % 10 < 5 ? 112 : 126.9)))).toEqual([]);
    // 113.0 and 138.3 alternating: arithmetic mean 125.65 V inside, rms 126.28 V outside.
    const rms = (s: number) => (s % 10 < 5 ? 113 : 138.3);
    expect(raises(run(ofL1(rms)))).toEqual(['L1 600']);
  });

  it('is aligned to the clock: 6 min above the limit across two intervals is none', () => {
    const high = (s: number) => (s >= 420 && s < 780 ? 126.6 : 124);
    expect(run(ofL1(high))).toEqual([]);
  });

  it('does not chatter about the limit: it clears 1 V inside', () => {
    const about = (s: number) => (Math.floor(s / 600) % 2 === 0 ? 126.2 : 125.8);
    expect(
      run(ofL1(about))
        .filter(({ type }) => type !== 'updated')
        .map(({ type }) => type),
    ).toEqual(['raised']);
    const back = (s: number) => (s < 600 ? 126.2 : 124.9);
    expect(run(ofL1(back)).map(({ type }) => type)).toEqual(['raised', 'cleared']);
  });

  it('goes on saying how far it went while it is back within the limit by less than the deadband', () => {
    const sagging = (s: number) => (s < 600 ? 113.4 : s < 1200 ? 112.8 : 114.5);
    const said = run(ofL1(sagging)).flatMap((transition) =>
      transition.type === 'cleared' ? [] : [transition.finding.facts['volts']],
    );
    expect([said.at(0), said.at(-1)]).toEqual([113.4, 112.8]);
  });

  it('an interval of which less than half is known is not judged', () => {
    expect(
      run(
        ofL1((s) => (s < 240 ? 126.5 : 120)).filter(
          (e) => e.at < START_MS + 240_000 || e.at > START_MS + 700_000,
        ),
      ),
    ).toEqual([]);
  });

  it('scales with the nominal voltage', () => {
    const other = aSite({ service: { nominalVolts: 115 } });
    expect(
      raises(
        run(
          ofL1(() => 121),
          other,
        ),
      ),
    ).toEqual(['L1 600']);
  });
});

describe('range B, at once after a minute', () => {
  it.each([128, 109])('%s V is told a minute after it begins', (volts) => {
    expect(raises(run(ofL1((s) => (s >= 900 ? volts : 122), 1000)))).toEqual(['L1 960']);
  });

  it('50 s are a dip, not told', () => {
    expect(run(ofL1((s) => (s >= 900 && s < 950 ? 105 : 122), 1190))).toEqual([]);
  });
});

describe('where the service rule does not apply', () => {
  it('an outage in which the battery makes 110 V of its own', () => {
    const events = [
      ...ofL1((s) => (s < 60 ? 120 : 109)),
      ...seconds(3, 3 * 3600, 10).map((s) => aBatteryReading(s, { gridPresent: s < 60 })),
    ];
    expect(run(events)).toEqual([]);
  });

  it('a dead service', () => {
    const events = seconds(0, 3600, 5).map((s) => aMeterReading(s, s < 60 ? {} : { l1V: 0, l2V: 0 }));
    expect(run(events)).toEqual([]);
  });
});
