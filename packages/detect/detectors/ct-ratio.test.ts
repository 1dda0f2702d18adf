// A clamp of another ratio is named with its factor; what differs by a few per cent, or only now and then, is not.

import { describe, expect, it } from 'vitest';
import type { SiteEvent } from '../event.ts';
import { type HouseOptions, houseSeries, usualLoads } from '../models/wiring/test-house.ts';
import { aBatteryReading, aMeterReading, aSite, runSeries, START_MS, seconds } from '../test-support.ts';
import { ctRatio } from './ct-ratio.ts';

const site = aSite();
const HOUR_S = 3600;
const DAY_S = 24 * HOUR_S;
const daily = (s: number) => {
  const hour = (s / HOUR_S) % 24;
  if (hour >= 1 && hour < 3) return 1200;
  return hour >= 5 && hour < 8 ? -900 : 0;
};
const gains = (first: number, second: number) => () => [
  { on: 0, gain: first },
  { on: 1, gain: second },
];
const house = (options: Partial<HouseOptions>) =>
  houseSeries({ seed: 6, site, toS: 3 * DAY_S, batteryW: daily, meterPeriodS: 15, ...options });

function told(events: Iterable<SiteEvent>) {
  return runSeries(site, ctRatio, [...events]).filter(({ type }) => type === 'raised');
}

describe('a clamp of another ratio', () => {
  it.each([
    { subject: 'L1', gain: 0.5, why: 'by battery steps', options: { service: gains(0.5, 1) } },
    { subject: 'L1', gain: 2, why: 'by battery steps', options: { service: gains(2, 1) } },
    { subject: 'L1', gain: 3.3, why: 'by battery steps', options: { service: gains(3.3, 1) } },
    { subject: 'inlet 1', gain: 2, why: 'against the battery', options: { inlets: gains(2, 1) } },
    { subject: 'inlet 1', gain: 0.4, why: 'against the battery', options: { inlets: gains(0.4, 1) } },
  ])('is named with its factor: $subject reads $gain times ($why)', ({ subject, gain, options }) => {
    const raised = told(house(options));
    expect(raised.map((t) => t.subject)).toEqual([subject]);
    const slope = raised[0]?.type === 'raised' ? raised[0].finding.evidence.figures[0]?.value : undefined;
    if (raised[0]?.type === 'raised' && raised[0].finding.facts['gain'] !== 0) {
      expect(Number(slope)).toBeGreaterThan(0.9 * gain);
      expect(Number(slope)).toBeLessThan(1.1 * gain);
    }
  });

  it.each([
    { gain: 0.5, loads: usualLoads(6) },
    { gain: 2, loads: usualLoads(6) },
    { gain: 0.5, loads: usualLoads(6).filter(({ legsW }) => legsW[0] === 0 || legsW[1] === 0) },
  ])('is named on a leg without a battery by 240 V loads or by the voltages (x$gain)', ({ gain, loads }) => {
    const raised = told(house({ service: gains(1, gain), loads }));
    expect(raised.map((t) => t.subject)).toEqual(['L2']);
  });
});

describe('a clamp that turns to another ratio in the middle of the life of a site', () => {
  it('is told from that of the other leg by a charge that came right since, without another', () => {
    // Two 240 V loads between the mistake and the last charge, which begins at 25 h, and others after it.
    const [wrongS, restsS] = [21.5 * HOUR_S, 30 * HOUR_S];
    const loads = [2, 5, 8, 11, 14, 17, 20, 22, 23.5].map((hour, i) => {
      const watts = i % 2 === 0 ? 2250 : 1500;
      return { legsW: [watts, watts] as const, onS: 900, offS: 1, dailyAtS: hour * HOUR_S };
    });
    const events = house({
      batteryW: (s) => (s < restsS ? Math.max(0, daily(s)) : 0),
      loads: [...loads, { legsW: [150, 120], onS: 1e9, offS: 1 }],
      service: (s) => gains(1, s < wrongS ? 1 : 2)(),
      toS: 2.5 * DAY_S,
    });
    expect(told(events).map(({ subject }) => subject)).toEqual(['L2']);
  });
});

describe('a clamp of twice the ratio on the leg of a battery that only feeds', () => {
  it('is told from one of half the ratio on the other leg, which 240 V loads cannot', () => {
    const feedingW = (s: number) => Math.min(0, daily(s));
    for (const [first, second, subject] of [
      [2, 1, 'L1'],
      [1, 0.5, 'L2'],
    ] as const) {
      const events = house({ service: gains(first, second), batteryW: feedingW });
      expect(told(events).map((raised) => raised.subject)).toEqual([subject]);
    }
  });
});

it('is named by a battery that is first heard while it comes to its power', () => {
  // Plugged in, it charges at once: its first reading may be of anywhere on its way from nothing to 1400 W.
  const batteryW = (s: number) => {
    const hour = (s / HOUR_S) % 24;
    if (hour < 2) return Math.min(1400, 500 + 45 * (s % DAY_S));
    return hour >= 14 && hour < 18 ? -500 : 0;
  };
  const raised = told(house({ service: gains(0.5, 1), batteryW }));
  expect(raised.map((t) => t.subject)).toEqual(['L1']);
});

describe('both clamps of one other ratio, which 240 V loads cannot tell from the right one', () => {
  // Full at last, the battery draws less and less and ends with no step: there is one charging step a day.
  const taperedW = (s: number) => 900 * Math.max(0, Math.min(1, 3 - ((s / HOUR_S + 23) % 24)));
  const feedingW = (s: number) => ((s / HOUR_S) % 24 >= 5 && (s / HOUR_S) % 24 < 8 ? -700 : taperedW(s));
  it.each([
    { gain: 2, batteryW: taperedW, why: 'a usual one, by charging alone' },
    { gain: 0.5, batteryW: taperedW, why: 'a usual one, by charging alone' },
    { gain: 1.5, batteryW: feedingW, why: 'any, by charging and feeding alike' },
  ])('are both named: x$gain, $why', ({ gain, batteryW }) => {
    const raised = told(house({ service: gains(gain, gain), batteryW, toS: 5 * DAY_S }));
    expect(raised.map((t) => t.subject).sort()).toEqual(['L1', 'L2']);
  });
});

describe('an inlet clamp of twice the ratio', () => {
  it('is named in the first charge after a rest in which the battery feeds a little', () => {
    const batteryW = (s: number) => (s < HOUR_S ? -55 : 900);
    const events = [
      ...seconds(0, 2 * HOUR_S, 5).map((s) =>
        aMeterReading(s, { l1W: 300 + batteryW(s), l2W: 200, inlet1W: 2 * batteryW(s) }),
      ),
      ...seconds(3, 2 * HOUR_S, 10).map((s) => aBatteryReading(s, { acW: batteryW(s) })),
    ];
    const [raise, ...others] = told(events);
    expect(others).toEqual([]);
    expect(raise?.subject).toBe('inlet 1');
    expect((raise?.detectedMs ?? Number.POSITIVE_INFINITY) - START_MS).toBeLessThan(1000 * (HOUR_S + 300));
  });
});

describe('no other ratio', () => {
  it.each([
    { why: 'clamp and battery differ by 12 %', options: { inlets: gains(0.88, 1), service: gains(0.9, 1) } },
    {
      why: 'a heater that starts with the battery every day',
      options: {
        loads: [...usualLoads(6), { legsW: [1500, 0] as const, onS: 7200, offS: 1, dailyAtS: HOUR_S }],
      },
    },
    {
      why: 'a dehumidifier on a timer that starts with the battery, for a week of readings a minute apart',
      options: {
        toS: 7 * DAY_S,
        meterPeriodS: 60,
        // Full at last, it draws less and less, and ends with no step.
        batteryW: (s: number) => 800 * Math.max(0, Math.min(1, 3 - ((s / HOUR_S + 23) % 24))),
        loads: [
          { legsW: [2250, 2250] as const, onS: 900, offS: 20_000, byDay: true },
          { legsW: [150, 120] as const, onS: 1200, offS: 2400, byDay: true },
          { legsW: [430, 0] as const, onS: 5 * HOUR_S, offS: 1, dailyAtS: HOUR_S },
        ],
      },
    },
    {
      why: 'a dryer whose motor sits on one leg',
      options: { loads: [{ legsW: [3000, 2500] as const, onS: 900, offS: 3000 }] },
    },
  ])('$why', ({ options }) => {
    expect(told(house(options))).toEqual([]);
  });

  it.each([10, 20, 30])(
    'an air conditioner whose blower sits on one leg, by a meter of means over %i s',
    (periodS) => {
      // 3100 W at 240 V and 420 W at 120 V, always together: one appliance of one size, in whatever shares two means show it.
      const onS = (s: number) => Math.floor(s / 2711) * 900 + Math.min(900, s % 2711);
      const events = [
        ...seconds(0, 4 * DAY_S, periodS).map((s) => {
          const share = (onS(s) - onS(Math.max(0, s - periodS))) / periodS;
          const inlet1W = daily(s);
          return aMeterReading(s, {
            l1W: Math.round(150 + (s % 7) + 1970 * share + inlet1W),
            l2W: Math.round(110 + (s % 3) + 1550 * share),
            inlet1W,
          });
        }),
        ...seconds(3, 4 * DAY_S, 10).map((s) => aBatteryReading(s, { acW: daily(s) })),
      ];
      expect(told(events)).toEqual([]);
    },
  );

  it('a pump on a timer that starts with the battery, on either side of the change to daylight saving time', () => {
    const springS = (Date.parse('2026-03-08T09:00:00Z') - START_MS) / 1000;
    /** Since noon, by the wall clock. */
    const hourOf = (s: number) => ((s + (s >= springS ? HOUR_S : 0)) / HOUR_S) % 24;
    const batteryW = (s: number) => 900 * Math.max(0, Math.min(1, 3 - ((hourOf(s) + 23) % 24)));
    const pumpW = (s: number) => (hourOf(s) >= 1 && hourOf(s) < 7 ? 430 : 0);
    const heaterW = (s: number) => (s % 21_000 < 900 ? 2250 : 0);
    const events = [
      ...seconds(0, 14 * DAY_S, 30).map((s) => {
        const inlet1W = batteryW(s);
        return aMeterReading(s, {
          l1W: 180 + (s % 7) + pumpW(s) + heaterW(s) + inlet1W,
          l2W: 120 + (s % 5) + heaterW(s),
          inlet1W,
        });
      }),
      ...seconds(3, 14 * DAY_S, 30).map((s) => aBatteryReading(s, { acW: batteryW(s) })),
    ];
    expect(told(events)).toEqual([]);
  });

  it('two batteries that both make up for the load which switches them', () => {
    const on = aSite({
      inlets: [
        { number: 1, leg: 'L1' },
        { number: 2, leg: 'L1' },
      ],
      batteries: [
        { device: 'battery-1', inlet: 1 },
        { device: 'battery-2', inlet: 2 },
      ],
    });
    // A compressor that cycles, and a heater now and then; what each battery feeds is what the leg draws.
    const loads = [
      { legsW: [390, 390] as const, onS: 600, offS: 600 },
      { legsW: [500, 0] as const, onS: 1200, offS: 4000 },
    ];
    const batteryW = (s: number, _: number, [l1W = 0]: readonly number[]) =>
      (s / HOUR_S) % 24 < 12 ? -l1W - 20 : 4;
    const events = houseSeries({ seed: 2, site: on, toS: 2 * DAY_S, batteryW, loads, meterPeriodS: 15 });
    expect(runSeries(on, ctRatio, [...events])).toEqual([]);
  });

  it('another load on the inlet circuit, as large as what the battery draws', () => {
    const batteryW = (s: number) => (Math.floor(s / HOUR_S) % 3 === 1 ? 1000 : 6);
    const foreignW = (s: number) => (s > 5 * HOUR_S ? 1000 : 0);
    const events = [
      ...seconds(0, 20 * HOUR_S, 10).map((s) => {
        const inlet1W = batteryW(s) + foreignW(s);
        return aMeterReading(s, { l1W: 300 + inlet1W, l2W: 200, inlet1W });
      }),
      ...seconds(3, 20 * HOUR_S, 10).map((s) => aBatteryReading(s, { acW: batteryW(s) })),
    ];
    expect(told(events)).toEqual([]);
  });

  it.each(['l1V', 'l2V'] as const)('a leg voltage that has frozen (%s)', (frozen) => {
    const events = [...house({ toS: 3 * DAY_S })];
    for (const event of events) {
      if (event.kind === 'meter' && event.at > START_MS + 1000 * DAY_S) event[frozen] = 120.4;
    }
    expect(told(events)).toEqual([]);
  });
});
