// A reversed service CT is named within a day of its first battery steps, and within 5 min of a proving run;
// a right one never is, whatever the house does.

import { describe, expect, it } from 'vitest';
import type { SiteEvent } from '../event.ts';
import { type Fitted, houseSeries } from '../models/wiring/test-house.ts';
import { aBatteryReading, aMeterReading, aSite, runSeries, START_MS, seconds } from '../test-support.ts';
import { serviceCtReversed } from './service-ct-reversed.ts';

const site = aSite();
const HOUR_S = 3600;
const DAY_S = 24 * HOUR_S;
const L1_REVERSED: readonly Fitted[] = [
  { on: 0, gain: -1 },
  { on: 1, gain: 1 },
];

const L2_REVERSED: readonly Fitted[] = [
  { on: 0, gain: 1 },
  { on: 1, gain: -1 },
];

/** Charges at 13:00 and discharges at 17:00 of the site's time, every day. */
const daily = (s: number) => {
  const hour = (s / HOUR_S) % 24;
  if (hour >= 1 && hour < 3) return 1200;
  return hour >= 5 && hour < 8 ? -900 : 0;
};
/** By hand: half a minute on, half a minute off. */
const provingRun = (s: number) => (s < 600 || Math.floor(s / 30) % 2 === 0 ? 0 : 1200);

function raisedS(events: Iterable<SiteEvent>, on = site): [string, number][] {
  return runSeries(on, serviceCtReversed, [...events])
    .filter(({ type }) => type === 'raised')
    .map(({ subject, detectedMs }) => [subject, (detectedMs - START_MS) / 1000]);
}

describe('a reversed service CT', () => {
  it.each([
    { meterPeriodS: 5, offsetS: 3 },
    { meterPeriodS: 5, offsetS: -7 },
    { meterPeriodS: 60, offsetS: 3 },
  ])('is named within a day of its first battery steps (meter at $meterPeriodS s)', (sampling) => {
    for (let seed = 1; seed <= 3; seed++) {
      const raised = raisedS(
        houseSeries({ ...sampling, seed, site, toS: DAY_S, batteryW: daily, service: () => L1_REVERSED }),
      );
      expect(raised.map(([subject]) => subject)).toEqual(['L1']);
      expect(raised[0]?.[1]).toBeLessThanOrEqual(HOUR_S + DAY_S);
    }
  });

  it.each([
    {
      why: 'by its standing load at night, once the battery of the other leg has told the places',
      volts: false,
      otherGeneration: false,
    },
    {
      why: 'by what its loads do to the voltages, where other generation may export',
      volts: true,
      otherGeneration: true,
    },
  ])('is named within a day on a leg without a battery, $why', ({ volts, otherGeneration }) => {
    const on = aSite({ service: { otherGeneration } });
    const series = [
      ...houseSeries({
        seed: 2,
        site: on,
        toS: DAY_S,
        batteryW: volts ? () => 0 : daily,
        meterPeriodS: 15,
        service: () => L2_REVERSED,
      }),
    ];
    if (!volts)
      for (const event of series) if (event.kind === 'meter') Object.assign(event, { l1V: null, l2V: null });
    expect(raisedS(series, on).map(([subject]) => subject)).toEqual(['L2']);
  });

  it('is not named by standing export alone where other generation may export', () => {
    const on = aSite({ service: { otherGeneration: true } });
    const series = seconds(0, DAY_S, 15).map((s) =>
      aMeterReading(s, { l1W: 300 + (s % 7), l2W: -200 - (s % 3) }),
    );
    expect(raisedS(series, on)).toEqual([]);
  });

  it('is named within 5 min of a proving run', () => {
    for (let seed = 1; seed <= 10; seed++) {
      const raised = raisedS(
        houseSeries({ seed, site, offsetS: 4, toS: 1200, batteryW: provingRun, service: () => L1_REVERSED }),
      );
      expect(raised.map(([subject]) => subject)).toEqual(['L1']);
      expect(raised[0]?.[1]).toBeLessThanOrEqual(600 + 300);
    }
  });
});

describe('a right service CT', () => {
  it('is not blamed beside a dead one that hides the larger half of a compressor with its fan', () => {
    const on = aSite({ service: { otherGeneration: true }, inlets: [{ number: 1, leg: 'L2' }] });
    const loads = [
      { legsW: [600, 0], onS: 400, offS: 3000 },
      { legsW: [0, 700], onS: 500, offS: 4000 },
      { legsW: [1400, 1900], onS: 300, offS: 900 },
      { legsW: [150, 120], onS: 1e9, offS: 1 },
    ] as const;
    const l2Dead = (s: number) => [
      { on: 0, gain: 1 },
      { on: 1, gain: s < DAY_S ? 1 : 0 },
    ];
    const series = houseSeries({
      seed: 7,
      site: on,
      toS: 3 * DAY_S,
      batteryW: daily,
      loads,
      service: l2Dead,
    });
    expect(raisedS(series, on)).toEqual([]);
  });

  it('is not blamed in a house that switches much', () => {
    for (let seed = 1; seed <= 3; seed++) {
      expect(raisedS(houseSeries({ seed, site, toS: 3 * DAY_S, batteryW: daily, offsetS: 3 }))).toEqual([]);
    }
  });

  it.each([
    { has: true, why: 'with an inlet channel' },
    { has: false, why: 'without' },
  ])('is not blamed for a battery that hunts between charging and feeding, $why', ({ has }) => {
    for (const turnS of [4, 7, 12.5, 15, 25, 60]) {
      const hunting = (s: number) => {
        if (s < HOUR_S) return s < 300 ? 0 : 960;
        return Math.floor(s / turnS) % 2 === 0 ? 1620 : -960;
      };
      const events = [
        ...seconds(0, 3 * HOUR_S, 5).map((s) => {
          const inlet1W = has ? hunting(s) : null;
          return aMeterReading(s, { l1W: 300 + hunting(s), l2W: 200 + (s % 7), inlet1W });
        }),
        ...seconds(3, 3 * HOUR_S, 10).map((s) => aBatteryReading(s, { acW: hunting(s) })),
      ];
      expect(runSeries(site, serviceCtReversed, events), `turns of ${turnS} s`).toEqual([]);
    }
  });
});
