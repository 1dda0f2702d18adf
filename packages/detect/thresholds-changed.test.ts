// An installer changes a threshold of a site while an incident stands, and the rules start anew with it: the incident
// stays or clears as the new limit says, and there is never a second one for it.

import { describe, expect, it } from 'vitest';
import type { Detector } from './detector.ts';
import { batteryHot } from './detectors/battery-hot.ts';
import { radioWeak } from './detectors/radio-weak.ts';
import { reserveLow } from './detectors/reserve-low.ts';
import { startEngine } from './engine.ts';
import type { SiteEvent } from './event.ts';
import { aBatteryReading, aSite, HOUR_S, seconds } from './test-support.ts';

const CHANGED_S = 2 * HOUR_S;
const TO_S = 5 * HOUR_S;

/** What became of one state of affairs of five hours, whose limit was changed after two. */
function became(
  detector: Detector,
  readingAt: (s: number) => SiteEvent,
  before: Record<string, number>,
  after: Record<string, number>,
): string[] {
  const thresholds = (values: Record<string, number>) => aSite({ thresholds: { [detector.kind]: values } });
  let engine = startEngine(thresholds(before), undefined, [detector]);
  const told: string[] = [];
  const hear = (fromS: number, toS: number) => {
    for (const s of seconds(fromS, toS, 10)) {
      for (const { type } of engine.step(readingAt(s))) {
        if (type !== 'updated') told.push(`${type} ${fromS === 0 ? 'before' : 'after'}`);
      }
    }
  };
  hear(0, CHANGED_S);
  engine = startEngine(thresholds(after), JSON.parse(JSON.stringify(engine.save())), [detector]);
  hear(CHANGED_S, TO_S);
  return told;
}

/** 57 Cel; 17 %, of which 20 are the reserve, at rest; -78 dBm. */
const hot = (s: number) => aBatteryReading(s, { tempC: 57, acW: 0, socPct: 60 });
const low = (s: number) => aBatteryReading(s, { socPct: 17, acW: 0 });
const faint = (s: number) => aBatteryReading(s, { rssiDbm: -78 });

describe('a limit that is changed while its incident stands', () => {
  it.each([
    {
      detector: batteryHot,
      reading: hot,
      from: { hotC: 55 },
      to: { hotC: 60 },
      why: '57 Cel are not above 60',
    },
    {
      detector: radioWeak,
      reading: faint,
      from: { weakDbm: -75 },
      to: { weakDbm: -85 },
      why: 'fair from -82 dBm up',
    },
  ])('clears it where the new one is kept: $detector.kind, $why', ({ detector, reading, from, to }) => {
    expect(became(detector, reading, from, to)).toEqual(['raised before', 'cleared after']);
  });

  it.each([
    { detector: batteryHot, reading: hot, from: { hotC: 55 }, to: { hotC: 50 }, why: 'stricter' },
    {
      detector: batteryHot,
      reading: hot,
      from: { hotC: 50 },
      to: { hotC: 56 },
      why: 'laxer, and still broken',
    },
    { detector: reserveLow, reading: low, from: { belowPct: 1 }, to: { belowPct: 0 }, why: 'stricter' },
    {
      detector: reserveLow,
      reading: low,
      from: { belowPct: 1 },
      to: { belowPct: 2, onDelayMin: 30 },
      why: 'laxer and slower',
    },
    {
      detector: reserveLow,
      reading: low,
      from: { belowPct: 1 },
      to: { belowPct: 5 },
      why: 'it clears above the reserve',
    },
    {
      detector: radioWeak,
      reading: faint,
      from: { weakDbm: -75 },
      to: { weakDbm: -77 },
      why: 'laxer, and still broken',
    },
  ])(
    'keeps it, without a second one, where the new one is broken too: $detector.kind, $why',
    ({ detector, reading, from, to }) => {
      expect(became(detector, reading, from, to)).toEqual(['raised before']);
    },
  );

  it.each([
    { detector: batteryHot, reading: hot, from: { hotC: 60 }, to: { hotC: 55 } },
    { detector: reserveLow, reading: low, from: { belowPct: 5 }, to: { belowPct: 1 } },
    { detector: radioWeak, reading: faint, from: { weakDbm: -85 }, to: { weakDbm: -75 } },
  ])(
    'raises what the new one breaks and the old one did not, once: $detector.kind',
    ({ detector, reading, from, to }) => {
      expect(became(detector, reading, from, to)).toEqual(['raised after']);
    },
  );
});
