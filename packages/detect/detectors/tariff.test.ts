// Charging in the peak, feeding in the super off-peak and feeding too much off-peak are named in the period in
// which they happen, once, until a period of that kind goes well; a shifted clock is named instead of them.

import { describe, expect, it } from 'vitest';
import type { Detector } from '../detector.ts';
import { startEngine } from '../engine.ts';
import type { SiteEvent } from '../event.ts';
import {
  aBatteryReading,
  aMeterReading,
  aSite,
  aStormMessage,
  clears,
  HOME,
  raises,
  runSeries,
  START_MS,
  seconds,
} from '../test-support.ts';
import { tariffChargeInPeak } from './tariff-charge-in-peak.ts';
import { tariffClockShift } from './tariff-clock-shift.ts';
import { tariffDischargeInSuperOffPeak } from './tariff-discharge-in-super-off-peak.ts';
import { tariffOffPeakDepth } from './tariff-off-peak-depth.ts';

const HOUR_S = 3600;
const DAY_S = 24 * HOUR_S;
const weekday = [
  { period: 'super-off-peak', from: '00:00', to: '06:00' },
  { period: 'off-peak', from: '06:00', to: '16:00' },
  { period: 'peak', from: '16:00', to: '21:00' },
  { period: 'off-peak', from: '21:00', to: '24:00' },
] as const;
const tariff = {
  seasons: [{ name: 'all year', weekday: [...weekday] }],
  rates: { peak: 0.42, 'off-peak': 0.17, 'super-off-peak': 0.09 },
};
// Arizona keeps standard time: a schedule in seconds from START_MS stays right for weeks.
const site = aSite({ tariff, location: HOME, timeZone: 'America/Phoenix' });
/** START_MS is Monday noon there: seconds from there to an hour of the same or a later day. */
const at = (hour: number, day = 0) => day * DAY_S + (hour - 12) * HOUR_S;

interface Stretch {
  readonly from: number;
  readonly to: number;
  readonly acW: number;
}

/** One battery, a reading a minute, that rests (8 W of standby) but in the given stretches. */
function series(
  days: number,
  stretches: readonly Stretch[],
  fields: Parameters<typeof aBatteryReading>[1] = {},
) {
  return seconds(0, days * DAY_S, 60).map((s) => {
    const acW = stretches.find(({ from, to }) => s >= from && s < to)?.acW ?? 8;
    return aBatteryReading(s, { socPct: 60, acW, periodS: 60, ...fields });
  });
}
const run = (detector: Detector, events: readonly SiteEvent[], on = site) => runSeries(on, detector, events);
/** As long as it takes to move this energy at 600 W. */
const forWh = (wh: number) => (wh / 600) * HOUR_S;

describe('charging in the peak', () => {
  it.each([
    { wh: 110, raised: 1, why: 'beyond 100 Wh' },
    { wh: 90, raised: 0, why: 'short of 100 Wh' },
  ])('$wh Wh: $why', ({ wh, raised }) => {
    const peak = [{ from: at(17), to: at(17) + forWh(wh), acW: 600 }];
    expect(raises(run(tariffChargeInPeak, series(1, peak)))).toHaveLength(raised);
  });

  it('is one incident while it comes back every day, and clears after a peak without it', () => {
    const days = [0, 1, 2].map((day) => ({ from: at(17, day), to: at(18, day), acW: 600 }));
    const transitions = run(tariffChargeInPeak, series(5, days));
    expect(raises(transitions)).toHaveLength(1);
    expect(clears(transitions)).toEqual([`battery-1 ${at(21, 3)}`]);
  });

  it('counts each peak for itself', () => {
    const days = [0, 1, 2].map((day) => ({ from: at(17, day), to: at(17, day) + forWh(70), acW: 600 }));
    expect(run(tariffChargeInPeak, series(4, days))).toEqual([]);
  });

  const charging = series(1, [{ from: at(17), to: at(19), acW: 600 }]);
  it.each([
    { why: 'a storm is prepared for', events: [aStormMessage({ sentS: 0 }), ...charging] },
    {
      why: 'the unit says that it prepares for a storm',
      events: series(1, [{ from: at(17), to: at(19), acW: 600 }], { stormPreparing: true }),
    },
    {
      why: 'it comes back up to its reserve',
      events: series(1, [{ from: at(17), to: at(19), acW: 600 }], { socPct: 19 }),
    },
    { why: 'it is standby', events: series(1, [{ from: at(16), to: at(21), acW: 29 }]) },
    { why: 'it is off-peak', events: series(1, [{ from: at(21), to: at(23), acW: 600 }]) },
  ])('is none when $why', ({ events }) => {
    expect(run(tariffChargeInPeak, events)).toEqual([]);
  });

  it('is none when the power comes from the own roof', () => {
    const sunny = aSite({ tariff, service: { otherGeneration: true } });
    const meter = (l1W: number) => seconds(0, DAY_S, 30).map((s) => aMeterReading(s, { l1W, l2W: 100 }));
    expect(run(tariffChargeInPeak, [...charging, ...meter(-500)], sunny)).toEqual([]);
    expect(raises(run(tariffChargeInPeak, [...charging, ...meter(900)], sunny))).toHaveLength(1);
  });

  it('is not asked of a site without a tariff', () => {
    expect(tariffChargeInPeak.subjects(aSite())).toEqual([]);
  });
});

describe('feeding in the super off-peak', () => {
  const night = (wh: number) => [{ from: at(1, 1), to: at(1, 1) + forWh(wh), acW: -600 }];

  it('is raised beyond 100 Wh, not short of it', () => {
    expect(raises(run(tariffDischargeInSuperOffPeak, series(2, night(110))))).toHaveLength(1);
    expect(run(tariffDischargeInSuperOffPeak, series(2, night(90)))).toEqual([]);
  });

  it('is none in an outage', () => {
    const dark = series(2, night(600), { gridPresent: false });
    expect(run(tariffDischargeInSuperOffPeak, dark)).toEqual([]);
  });
});

describe('feeding off-peak', () => {
  // 20 % of 3000 Wh are allowed in one off-peak period, with a margin of 1 %.
  const day = (wh: number) => [{ from: at(7, 1), to: at(7, 1) + forWh(wh), acW: -600 }];

  it.each([
    { wh: 650, raised: 1, why: '21.7 %' },
    { wh: 600, raised: 0, why: '20 %' },
  ])('$wh Wh of 3000: $why', ({ wh, raised }) => {
    expect(raises(run(tariffOffPeakDepth, series(2, day(wh))))).toHaveLength(raised);
  });

  it('counts the hours before and after midnight as the tariff does', () => {
    // Off-peak from 21:00 to 24:00 and from 6:00 to 16:00 are two periods here.
    const both = [
      { from: at(22), to: at(22) + forWh(500), acW: -600 },
      { from: at(7, 1), to: at(7, 1) + forWh(500), acW: -600 },
    ];
    expect(run(tariffOffPeakDepth, series(2, both))).toEqual([]);
  });
});

describe('a clock that is wrong', () => {
  /** Charges from midnight, feeds from 16:00, for three hours, its clock `lateH` hours late from `fromDay` on. */
  const daily = (days: number, lateH: number, fromDay = 0) =>
    series(
      days,
      Array.from({ length: days + 1 }, (_, day) => {
        const late = day > fromDay ? lateH : 0;
        return [
          { from: at(late, day), to: at(2 + late, day), acW: 900 },
          { from: at(16 + late, day), to: at(19 + late, day), acW: -600 },
        ];
      }).flat(),
    );
  const catalog = [tariffClockShift, tariffChargeInPeak, tariffDischargeInSuperOffPeak, tariffOffPeakDepth];

  it.each([
    { lateH: 1, cause: 'daylight saving time' },
    { lateH: -1, cause: 'daylight saving time' },
    { lateH: 3, cause: 'time zone' },
  ])('is named by its shift: $lateH h', ({ lateH, cause }) => {
    const transitions = run(tariffClockShift, daily(9, lateH));
    const [raised] = transitions;
    if (raised?.type !== 'raised') throw new Error('nothing was raised');
    expect(raised.finding.facts['shiftMin']).toBe(60 * lateH);
    expect(raised.finding.words.headline).toContain(cause);
    expect(raises(transitions)).toHaveLength(1);
  });

  it('is named within five days of the change', () => {
    const [raised] = run(tariffClockShift, daily(16, 1, 8));
    if (raised?.type !== 'raised') throw new Error('nothing was raised');
    expect((raised.detectedMs - START_MS) / (DAY_S * 1000)).toBeLessThan(8 + 5);
  });

  it('is not named when the schedule is kept, nor by an owner who charges later', () => {
    expect(run(tariffClockShift, daily(9, 0))).toEqual([]);
    const laterCharge = Array.from({ length: 9 }, (_, day) => [
      { from: at(2, day), to: at(4, day), acW: 900 },
      { from: at(16, day), to: at(19, day), acW: -600 },
    ]).flat();
    expect(run(tariffClockShift, series(9, laterCharge))).toEqual([]);
  });

  it('explains what it brings about', () => {
    const engine = startEngine(site, undefined, catalog);
    const told = daily(9, -3)
      .flatMap((event) => [...engine.step(event)])
      .filter(({ type }) => type !== 'updated');
    expect(engine.standing().map(({ kind }) => kind)).toEqual(['tariff-clock-shift']);
    const explained = told.filter((t) => t.type === 'cleared' && t.why === 'explained by another incident');
    expect(explained.length).toBeGreaterThan(0);
  });

  it('clears once the clock is right again', () => {
    const wrong = daily(9, 1);
    const right = daily(20, 0).filter((event) => event.at > START_MS + 9 * DAY_S * 1000);
    expect(clears(run(tariffClockShift, [...wrong, ...right]))).toHaveLength(1);
  });
});
