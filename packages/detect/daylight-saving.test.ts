// A home keeps the time on its wall through both changes of a year. Denver changes on the second Sunday in March and
// the first in November at 2:00 (15 U.S.C. 260a; IANA tzdata): 8 March 2026, 9:00 UTC, and 1 November 2026, 8:00 UTC.

import { describe, expect, it } from 'vitest';
import { reserveForecast } from './detectors/reserve-forecast.ts';
import { tariffChargeInPeak } from './detectors/tariff-charge-in-peak.ts';
import { tariffDischargeInSuperOffPeak } from './detectors/tariff-discharge-in-super-off-peak.ts';
import { startEngine } from './engine.ts';
import type { SiteEvent } from './event.ts';
import {
  aBatteryReading,
  aMeterReading,
  aSite,
  DAY_S,
  HOUR_S,
  raises,
  runSeries,
  START_MS,
  seconds,
  TARIFF,
} from './test-support.ts';

/** Peak 16:00 to 21:00, super off-peak 0:00 to 6:00, every day. */
const denver = aSite({ tariff: TARIFF, timeZone: 'America/Denver' });
const secondsTo = (iso: string) => (Date.parse(iso) - START_MS) / 1000;
const [SPRING_S, AUTUMN_S] = [secondsTo('2026-03-08T09:00:00Z'), secondsTo('2026-11-01T08:00:00Z')];
/** Hours of the day on the wall: 7 behind UTC in winter, 6 in summer. START_MS is 19:00 UTC. */
const wallHour = (s: number) => (19 + s / HOUR_S - (s >= SPRING_S && s < AUTUMN_S ? 6 : 7) + 24 * 400) % 24;

describe('the tariff on the days of the change', () => {
  /** 250 Wh at 600 W, from this instant. */
  const moved = (iso: string, acW: number): SiteEvent[] => {
    const fromS = secondsTo(iso);
    return seconds(fromS - DAY_S, fromS + DAY_S, 60).map((s) =>
      aBatteryReading(s, { socPct: 60, acW: s >= fromS && s < fromS + 1500 ? acW : 8, periodS: 60 }),
    );
  };

  it.each([
    { from: '2026-03-08T22:15:00Z', raised: 1, why: '16:15 of the day that lost an hour' },
    { from: '2026-03-08T21:15:00Z', raised: 0, why: '15:15 of it' },
    { from: '2026-03-09T02:30:00Z', raised: 1, why: '20:30 of it' },
    { from: '2026-03-09T03:15:00Z', raised: 0, why: '21:15 of it' },
    { from: '2026-10-31T22:15:00Z', raised: 1, why: '16:15 of the last day of summer time' },
    { from: '2026-11-01T22:15:00Z', raised: 0, why: '15:15 of the day that has an hour twice' },
    { from: '2026-11-01T23:15:00Z', raised: 1, why: '16:15 of it' },
    { from: '2026-11-02T03:30:00Z', raised: 1, why: '20:30 of it' },
    { from: '2026-11-02T04:15:00Z', raised: 0, why: '21:15 of it' },
  ])('charging from $from is in the peak $raised times: $why', ({ from, raised }) => {
    expect(raises(runSeries(denver, tariffChargeInPeak, moved(from, 600)))).toHaveLength(raised);
  });

  it.each([
    { from: '2026-03-08T11:30:00Z', raised: 1, why: '5:30 of the day that lost an hour' },
    { from: '2026-03-08T12:15:00Z', raised: 0, why: '6:15 of it, 5:15 by the old time' },
    { from: '2026-11-01T07:15:00Z', raised: 1, why: '1:15 for the first time' },
    { from: '2026-11-01T08:15:00Z', raised: 1, why: '1:15 for the second time' },
    { from: '2026-11-01T12:15:00Z', raised: 1, why: '5:15 of it, 6:15 by the old time' },
    { from: '2026-11-01T13:15:00Z', raised: 0, why: '6:15 of it' },
  ])('feeding from $from is in the super off-peak $raised times: $why', ({ from, raised }) => {
    expect(raises(runSeries(denver, tariffDischargeInSuperOffPeak, moved(from, -600)))).toHaveLength(raised);
  });

  it('counts one super off-peak through the hour that comes twice: 90 Wh in each of them is too much', () => {
    const fromS = secondsTo('2026-11-01T07:00:00Z');
    const feeds = (s: number) => (s >= fromS && s < fromS + 540) || (s >= fromS + 3600 && s < fromS + 4140);
    const night = seconds(fromS - DAY_S, fromS + DAY_S, 60).map((s) =>
      aBatteryReading(s, { socPct: 60, acW: feeds(s) ? -600 : 8, periodS: 60 }),
    );
    expect(raises(runSeries(denver, tariffDischargeInSuperOffPeak, night))).toHaveLength(1);
  });
});

describe('the usual load by the hour of the week', () => {
  /** Three weeks of 200 W, and 1200 W from 17:00 to 19:00 on the wall; then an outage at 280 W from the battery. */
  function toldAfterS(outage: string): number {
    const outageS = secondsTo(outage);
    const engine = startEngine(denver, undefined, [reserveForecast]);
    for (const s of seconds(outageS - 21 * DAY_S, outageS, 30)) {
      const isEvening = Math.floor(wallHour(s) / 2 - 0.5) === 8;
      engine.step(aMeterReading(s, { l1W: isEvening ? 1100 : 100, l2W: 100 }));
    }
    const dark = seconds(outageS, outageS + 8 * HOUR_S, 10).map((s) =>
      aBatteryReading(s, { socPct: 75 - (10.5 * (s - outageS)) / HOUR_S, acW: -276, gridPresent: false }),
    );
    const [raised] = dark.flatMap((event) => engine.step(event).filter(({ type }) => type === 'raised'));
    return raised === undefined ? Number.POSITIVE_INFINITY : (raised.detectedMs - START_MS) / 1000 - outageS;
  }

  it.each([
    { change: 'spring', before: '2026-03-02T20:00:00Z', after: '2026-03-09T19:00:00Z' },
    { change: 'autumn', before: '2026-10-26T19:00:00Z', after: '2026-11-02T20:00:00Z' },
  ])('keeps the evening where it is on the wall: $change', ({ before, after }) => {
    // Both on a Monday at 13:00 on the wall: the reserve is forecast as long after the outage began as ever.
    const [usualS, changedS] = [toldAfterS(before), toldAfterS(after)];
    expect(Math.abs(changedS - usualS)).toBeLessThanOrEqual(60);
    // By the load at hand alone it would be told 55 points / 10.5 an hour less two hours after it began.
    expect(usualS).toBeLessThan((55 / 10.5 - 2) * HOUR_S - 1500);
  });
});
