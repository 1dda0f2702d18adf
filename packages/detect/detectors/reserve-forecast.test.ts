// In an outage the reserve is forecast two hours ahead, from the load at hand and the house's usual one.

import { describe, expect, it } from 'vitest';
import { startEngine } from '../engine.ts';
import type { SiteEvent } from '../event.ts';
import {
  aBatteryReading,
  aMeterReading,
  aSite,
  clears,
  firstRaise,
  flat,
  HOME,
  HOUR_S,
  raises,
  runSeries,
  START_MS,
  seconds,
  series,
} from '../test-support.ts';
import { reserveForecast } from './reserve-forecast.ts';

const site = aSite({ location: HOME });
const run = (events: readonly SiteEvent[]) => runSeries(site, reserveForecast, events);
describe('the reserve in an outage', () => {
  /** 3000 Wh carry 276 W: 315 W from the cells, 10.5 points an hour, from the beginning of the outage at 600 s. */
  const dark = (fromPct: number, toS: number) => [
    ...seconds(0, 600, 10).map((s) => aBatteryReading(s, { socPct: fromPct, acW: 0 })),
    ...seconds(600, toS, 10).map((s) =>
      aBatteryReading(s, { socPct: fromPct - (10.5 * (s - 600)) / HOUR_S, acW: -276, gridPresent: false }),
    ),
  ];

  it('is forecast two hours before it is reached', () => {
    // From 62 % it takes 4 h to 20 %: told 2 h after the outage began.
    const raised = firstRaise(run(dark(62, 5 * HOUR_S)));
    const detectedS = (raised.detectedMs - START_MS) / 1000;
    expect(detectedS).toBeGreaterThan(600 + 2 * HOUR_S - 120);
    expect(detectedS).toBeLessThan(600 + 2 * HOUR_S + 120);
    const reserveAtS = (Number(raised.finding.facts['reserveAtMs']) - START_MS) / 1000;
    expect(Math.abs(reserveAtS - (600 + 4 * HOUR_S))).toBeLessThan(180);
    const emptyAtS = (Number(raised.finding.facts['emptyAtMs']) - START_MS) / 1000;
    expect(Math.abs(emptyAtS - (600 + (62 / 10.5) * HOUR_S))).toBeLessThan(300);
  });

  it('is forecast from the gauge where the unit feeds outlets of its own that its port does not show', () => {
    const told = firstRaise(
      run(
        dark(62, 5 * HOUR_S).map((reading) => ({
          ...reading,
          acW: 0,
          socPct: Math.round(reading.socPct ?? 0),
        })),
      ),
    );
    const detectedS = (told.detectedMs - START_MS) / 1000;
    expect(Math.abs(detectedS - (600 + 2 * HOUR_S))).toBeLessThan(0.4 * HOUR_S);
  });

  it('is told 2 min into an outage that begins with little', () => {
    expect(raises(run(dark(30, HOUR_S)))).toEqual(['battery-1 720']);
  });

  it('is told after a minute where there are only minutes', () => {
    expect(raises(run(dark(20.5, HOUR_S)))).toEqual(['battery-1 660']);
  });

  it('is not told of an interruption that a breaker ends by closing again', () => {
    // IEEE 1159-2009, table 2: temporary, up to 1 min.
    const back = seconds(650, 1200, 10).map((s) => aBatteryReading(s, { socPct: 20.4, acW: 0 }));
    expect(run([...dark(20.5, 650), ...back])).toEqual([]);
  });

  it('is told of a unit that does not say whether the grid is there, from a dead service', () => {
    const dead = { l1V: 0, l2V: 0, l1W: 0, l2W: 0 };
    const meter = seconds(0, HOUR_S, 5).map((s) => aMeterReading(s, s < 600 ? {} : dead));
    const mute = dark(30, HOUR_S).map((reading) => ({ ...reading, gridPresent: null }));
    expect(raises(run([...meter, ...mute]))).toEqual(['battery-1 720']);
  });

  it('is told of each load: twice as soon at twice the load', () => {
    const told = (acW: number) => {
      const drainW = acW / 0.92 + 15;
      const events = seconds(0, 8 * HOUR_S, 10).map((s) =>
        aBatteryReading(s, { socPct: 90 - (s * drainW) / HOUR_S / 30, acW: -acW, gridPresent: false }),
      );
      return Number(raises(run(events))[0]?.split(' ')[1]);
    };
    // 70 points of 3000 Wh, less two hours: by hand 2100 Wh / drain - 2 h.
    for (const acW of [276, 600]) {
      const byHandS = HOUR_S * (2100 / (acW / 0.92 + 15) - 2);
      expect(Math.abs(told(acW) - byHandS)).toBeLessThan(180);
    }
  });

  it.each([
    { why: 'the grid is there', events: series(4 * HOUR_S, (s) => 30 - s / 2000, flat(-276)) },
    {
      why: 'the outage lasts a minute',
      events: dark(30, 660).concat(series(3600, flat(30), flat(0)).slice(70)),
    },
    { why: 'it lasts for days', events: dark(95, 2 * HOUR_S) },
  ])('is not told when $why', ({ events }) => {
    expect(run(events)).toEqual([]);
  });

  it('clears when the grid is back', () => {
    const back = seconds(HOUR_S, 2 * HOUR_S, 10).map((s) => aBatteryReading(s, { socPct: 20, acW: 1000 }));
    expect(clears(run([...dark(30, HOUR_S), ...back]))).toHaveLength(1);
  });

  it('reckons with what the house usually takes at the hours to come', () => {
    // Four weeks in which the house takes 1200 W from 14:00 to 16:00 and 200 W at other times.
    const weeks = seconds(-28 * 86_400, 0, 30).map((s) => {
      const hour = (s / HOUR_S + 12 + 24 * 28) % 24;
      return aMeterReading(s, { l1W: hour >= 14 && hour < 16 ? 1100 : 100, l2W: 100 });
    });
    const engine = startEngine(site, undefined, [reserveForecast]);
    for (const event of weeks) engine.step(event);
    const [raised] = dark(60, 6 * HOUR_S).flatMap((event) => [...engine.step(event)]);
    const detectedS = raised === undefined ? 0 : (raised.detectedMs - START_MS) / 1000;
    // At the present load alone it would be told after 1.8 h.
    expect(detectedS).toBeLessThan(600 + 1.6 * HOUR_S);
  });
});
