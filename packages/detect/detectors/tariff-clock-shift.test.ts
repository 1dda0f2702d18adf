// A schedule kept at the wrong time is named by its shift, instead of what it brings about.

import { describe, expect, it } from 'vitest';
import { startEngine } from '../engine.ts';
import type { SiteEvent } from '../event.ts';
import {
  aScheduledBattery,
  aSiteUnderTariff,
  clears,
  DAY_S,
  firstRaise,
  phoenixHour,
  raises,
  runSeries,
  START_MS,
} from '../test-support.ts';
import { tariffChargeInPeak } from './tariff-charge-in-peak.ts';
import { tariffClockShift } from './tariff-clock-shift.ts';
import { tariffDischargeInSuperOffPeak } from './tariff-discharge-in-super-off-peak.ts';
import { tariffOffPeakDepth } from './tariff-off-peak-depth.ts';

const site = aSiteUnderTariff();
const run = (events: readonly SiteEvent[]) => runSeries(site, tariffClockShift, events);

describe('a clock that is wrong', () => {
  /** Charges from midnight, feeds from 16:00, for three hours, its clock `lateH` hours late from `fromDay` on. */
  const daily = (days: number, lateH: number, fromDay = 0, feedW = 600) =>
    aScheduledBattery(
      days,
      Array.from({ length: days + 1 }, (_, day) => {
        const late = day > fromDay ? lateH : 0;
        return [
          { from: phoenixHour(late, day), to: phoenixHour(2 + late, day), acW: 900 },
          { from: phoenixHour(16 + late, day), to: phoenixHour(19 + late, day), acW: -feedW },
        ];
      }).flat(),
    );
  const catalog = [tariffClockShift, tariffChargeInPeak, tariffDischargeInSuperOffPeak, tariffOffPeakDepth];

  it.each([
    { lateH: 1, cause: 'daylight saving time' },
    { lateH: -1, cause: 'daylight saving time' },
    { lateH: 3, cause: 'time zone' },
  ])('is named by its shift: $lateH h', ({ lateH, cause }) => {
    const transitions = run(daily(9, lateH));
    const raised = firstRaise(transitions);
    expect(raised.finding.facts['shiftMin']).toBe(60 * lateH);
    expect(raised.finding.words.headline).toContain(cause);
    expect(raises(transitions)).toHaveLength(1);
  });

  it('is named in a home that asks for little: 45 W is a lamp and a router, and no standby', () => {
    const raised = firstRaise(run(daily(9, -1, 0, 45)));
    expect(raised.finding.facts['shiftMin']).toBe(-60);
  });

  it('is named within five days of the change', () => {
    const raised = firstRaise(run(daily(16, 1, 8)));
    expect((raised.detectedMs - START_MS) / (DAY_S * 1000)).toBeLessThan(8 + 5);
  });

  it('is not named when the schedule is kept, nor by an owner who charges later', () => {
    expect(run(daily(9, 0))).toEqual([]);
    const laterCharge = Array.from({ length: 9 }, (_, day) => [
      { from: phoenixHour(2, day), to: phoenixHour(4, day), acW: 900 },
      { from: phoenixHour(16, day), to: phoenixHour(19, day), acW: -600 },
    ]).flat();
    expect(run(aScheduledBattery(9, laterCharge))).toEqual([]);
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
    expect(clears(run([...wrong, ...right]))).toHaveLength(1);
  });
});
