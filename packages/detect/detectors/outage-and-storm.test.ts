// The reserve is forecast two hours ahead, its setting compared, and a storm's charge held against its onset.
// Worked example of the forecast: t = E (soc - floor) / (P / efficiency + idle), 5.12 kWh from 90 to 10 % at
// 400 W, efficiency 0.92, idle 15 W: 4096 Wh / 449.8 W = 9.11 h.

import { describe, expect, it } from 'vitest';
import { cellDrainW, HORIZON_MS, lastsMs } from '../backup-time.ts';
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
import { reserveForecast } from './reserve-forecast.ts';
import { reserveSetting } from './reserve-setting.ts';
import { stormChargeBehind } from './storm-charge-behind.ts';
import { stormChargeStalled } from './storm-charge-stalled.ts';
import { stormDischarging } from './storm-discharging.ts';

const site = aSite({ location: HOME });
const run = (detector: Detector, events: readonly SiteEvent[], on = site) => runSeries(on, detector, events);
const HOUR_S = 3600;
type At = (s: number) => number;
const flat = (value: number) => () => value;

function series(
  toS: number,
  socPct: At,
  acW: At,
  fields: Parameters<typeof aBatteryReading>[1] = {},
  step = 10,
) {
  return seconds(0, toS, step).map((s) => aBatteryReading(s, { socPct: socPct(s), acW: acW(s), ...fields }));
}
const only = (transitions: ReturnType<typeof run>) => {
  const [raised] = transitions;
  if (raised?.type !== 'raised') throw new Error('nothing was raised');
  return raised;
};

describe('how long energy lasts', () => {
  it('agrees with the worked example', () => {
    expect(lastsMs(4096, 0, flat(cellDrainW(400, 0))) / 3_600_000).toBeCloseTo(9.11, 2);
  });

  it('follows a load that changes', () => {
    // 1 kW for an hour, then 500 W: 1500 Wh last 2 h.
    expect(lastsMs(1500, 0, (at) => (at < 3_600_000 ? 1000 : 500))).toBe(7_200_000);
  });

  it('has an end, and a horizon', () => {
    expect(lastsMs(0, 0, flat(100))).toBe(0);
    expect(lastsMs(100, 0, flat(0))).toBe(HORIZON_MS);
  });
});

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
    const raised = only(run(reserveForecast, dark(62, 5 * HOUR_S)));
    const detectedS = (raised.detectedMs - START_MS) / 1000;
    expect(detectedS).toBeGreaterThan(600 + 2 * HOUR_S - 120);
    expect(detectedS).toBeLessThan(600 + 2 * HOUR_S + 120);
    const reserveAtS = (Number(raised.finding.facts['reserveAtMs']) - START_MS) / 1000;
    expect(Math.abs(reserveAtS - (600 + 4 * HOUR_S))).toBeLessThan(180);
    const emptyAtS = (Number(raised.finding.facts['emptyAtMs']) - START_MS) / 1000;
    expect(Math.abs(emptyAtS - (600 + (62 / 10.5) * HOUR_S))).toBeLessThan(300);
  });

  it('is told 2 min into an outage that begins with little', () => {
    expect(raises(run(reserveForecast, dark(30, HOUR_S)))).toEqual(['battery-1 720']);
  });

  it('is told within half a minute where there are only minutes', () => {
    expect(raises(run(reserveForecast, dark(20.5, HOUR_S)))).toEqual(['battery-1 620']);
  });

  it.each([
    { why: 'the grid is there', events: series(4 * HOUR_S, (s) => 30 - s / 2000, flat(-276)) },
    {
      why: 'the outage lasts a minute',
      events: dark(30, 660).concat(series(3600, flat(30), flat(0)).slice(70)),
    },
    { why: 'it lasts for days', events: dark(95, 2 * HOUR_S) },
  ])('is not told when $why', ({ events }) => {
    expect(run(reserveForecast, events)).toEqual([]);
  });

  it('clears when the grid is back', () => {
    const back = seconds(HOUR_S, 2 * HOUR_S, 10).map((s) => aBatteryReading(s, { socPct: 20, acW: 1000 }));
    expect(clears(run(reserveForecast, [...dark(30, HOUR_S), ...back]))).toHaveLength(1);
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

describe('the setting of the reserve', () => {
  const set = (reservePct: number, fields = {}) =>
    run(reserveSetting, series(HOUR_S, flat(60), flat(0), { reservePct, ...fields }));

  it.each([
    { reservePct: 20, raised: 0, why: 'as registered' },
    { reservePct: 20.9, raised: 0, why: 'rounded' },
    { reservePct: 21, raised: 1, why: 'a point more' },
    { reservePct: 19, raised: 1, why: 'a point less' },
    { reservePct: 4, raised: 1, why: 'below 5 %' },
  ])('$reservePct % for 20 %: $why', ({ reservePct, raised }) => {
    expect(raises(set(reservePct))).toHaveLength(raised);
  });

  it('waits for 10 min, so that a change can be finished', () => {
    expect(raises(set(30))).toEqual(['battery-1 600']);
    const changing = seconds(0, 4 * HOUR_S, 10).map((s) =>
      aBatteryReading(s, { reservePct: s < HOUR_S || s > HOUR_S + 590 ? 20 : 30 }),
    );
    expect(run(reserveSetting, changing)).toEqual([]);
  });

  it('may be raised for a storm', () => {
    expect(set(100, { stormPreparing: true })).toEqual([]);
  });
});

describe('a storm charge that runs backwards', () => {
  const alert = aStormMessage({ sentS: 600 });
  const feeding = (w: number) => (s: number) => (s < 3600 ? 1400 : -w);

  it('is raised 10 min after the battery began to feed', () => {
    expect(raises(run(stormDischarging, [alert, ...series(7200, flat(60), feeding(120))]))).toEqual([
      'battery-1 4200',
    ]);
  });

  it.each([
    { why: 'it feeds no more than control error', events: [alert, ...series(7200, flat(60), feeding(49))] },
    { why: 'there is no alert', events: series(7200, flat(60), feeding(500)) },
    {
      why: 'the outage has begun',
      events: [alert, ...series(7200, flat(60), feeding(500), { gridPresent: false })],
    },
    { why: 'it is full', events: [alert, ...series(7200, flat(99), feeding(500))] },
    {
      why: 'it is over in 9 min',
      events: [alert, ...series(7200, flat(60), (s) => (s >= 3600 && s < 4140 ? -500 : 1400))],
    },
  ])('is not raised when $why', ({ events }) => {
    expect(run(stormDischarging, events)).toEqual([]);
  });

  it('stands alone: it is not stalled and not behind as well', () => {
    const engine = startEngine(site, undefined, [stormDischarging, stormChargeStalled, stormChargeBehind]);
    for (const event of [alert, ...series(7200, flat(60), feeding(300))]) engine.step(event);
    expect(engine.standing().map(({ kind }) => kind)).toEqual(['storm-discharging']);
  });
});

describe('a storm charge that comes too late', () => {
  // 3000 Wh at an efficiency of 0.93: 32.3 Wh a point.
  /** Charges with `powerW` from the alert on, with the taper from 90 %. */
  function charging(fromPct: number, powerW: number, toS: number): SiteEvent[] {
    let socPct = fromPct;
    return seconds(0, toS, 10).map((s) => {
      const taper = socPct < 90 ? 1 : Math.max(0.1, 1 - (0.9 * (socPct - 90)) / 10);
      const acW = s < 600 || socPct >= 100 ? 5 : powerW * taper;
      if (acW > 10) socPct = Math.min(100, socPct + (acW * 10) / HOUR_S / 32.26);
      return aBatteryReading(s, { socPct: Math.round(10 * socPct) / 10, acW });
    });
  }
  const alert = (onsetH: number) => aStormMessage({ sentS: 600, onsetS: 600 + onsetH * HOUR_S });

  it('is raised 10 min into a charge at a third of what it takes', () => {
    // From 30 %: 2258 Wh, 1.35 h at 1500 W up to 90 % and some more; in 6 h 300 W give 56 points.
    const raised = only(run(stormChargeBehind, [alert(6), ...charging(30, 300, 3 * HOUR_S)]));
    expect((raised.detectedMs - START_MS) / 1000).toBeLessThanOrEqual(600 + 720);
    expect(Math.abs(Number(raised.finding.facts['reachedPct']) - 86)).toBeLessThanOrEqual(2);
    expect(raised.finding.facts['impossible']).toBe(false);
  });

  it('is said at once when no charge could do it', () => {
    const raised = only(run(stormChargeBehind, [alert(1), ...charging(30, 1500, HOUR_S)]));
    expect(raised.detectedMs).toBe(START_MS + 600_000);
    expect(raised.finding.facts['impossible']).toBe(true);
    // By hand: 1500 W for an hour are 46.5 points.
    expect(Math.abs(Number(raised.finding.facts['reachedPct']) - 76)).toBeLessThanOrEqual(2);
  });

  it.each([
    { why: 'it arrives in time', events: [alert(6), ...charging(30, 1400, 6 * HOUR_S)] },
    {
      why: 'it arrives just in time, through the taper',
      events: [alert(6), ...charging(30, 560, 6 * HOUR_S)],
    },
    {
      why: 'nothing says when the storm comes',
      events: [aStormMessage({ sentS: 600, onsetS: null }), ...charging(30, 200, 6 * HOUR_S)],
    },
    {
      why: 'the outage has begun',
      events: [alert(6), ...series(3 * HOUR_S, flat(30), flat(200), { gridPresent: false })],
    },
    { why: 'it is nearly full', events: [alert(0.2), ...charging(97, 1500, HOUR_S)] },
  ])('is not raised when $why', ({ events }) => {
    expect(run(stormChargeBehind, events)).toEqual([]);
  });

  it('leaves a charge that has stopped to the one that says so', () => {
    const engine = startEngine(site, undefined, [stormDischarging, stormChargeStalled, stormChargeBehind]);
    const transitions = [alert(6), ...series(6 * HOUR_S, flat(30), flat(0))].flatMap((event) => [
      ...engine.step(event),
    ]);
    expect(raises(transitions)).toEqual(['battery-1 1200']);
    expect(transitions[0]?.kind).toBe('storm-charge-stalled');
  });

  it('clears once it charges fast enough', () => {
    const slow = charging(30, 300, HOUR_S);
    const fast = charging(38, 1400, 4 * HOUR_S).filter(({ at }) => at >= START_MS + HOUR_S * 1000);
    expect(clears(run(stormChargeBehind, [alert(6), ...slow, ...fast]))).toHaveLength(1);
  });
});
