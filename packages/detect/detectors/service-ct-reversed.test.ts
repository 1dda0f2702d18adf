// A reversed service CT is named within a day of its first battery steps, and within 5 min of a proving run;
// a right one never is, whatever the house does.

import { describe, expect, it } from 'vitest';
import type { SiteEvent } from '../event.ts';
import { type Fitted, houseSeries } from '../models/wiring/test-house.ts';
import { aSite, runSeries, START_MS } from '../test-support.ts';
import { serviceCtReversed } from './service-ct-reversed.ts';

const site = aSite();
const HOUR_S = 3600;
const DAY_S = 24 * HOUR_S;
const L1_REVERSED: readonly Fitted[] = [
  { on: 0, gain: -1 },
  { on: 1, gain: 1 },
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
  it('is not blamed in a house that switches much', () => {
    for (let seed = 1; seed <= 3; seed++) {
      expect(raisedS(houseSeries({ seed, site, toS: 3 * DAY_S, batteryW: daily, offsetS: 3 }))).toEqual([]);
    }
  });
});
