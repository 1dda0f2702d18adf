// A sensor that hangs is told within an hour in which its house moves; a quiet house, a constant load and a
// coarse voltage are not.

import type { BatteryReading, MeterReading } from '@afterwatt/wire';
import { describe, expect, it } from 'vitest';
import { type HouseOptions, houseSeries, uniform } from '../models/wiring/test-house.ts';
import { aBatteryReading, aMeterReading, aSite, runSeries, START_MS, seconds } from '../test-support.ts';
import { sensorFlatline } from './sensor-flatline.ts';

type Reading = MeterReading | BatteryReading;

const site = aSite();
const HOUR_S = 3600;
const HANGS_S = 3 * HOUR_S;
const batteryW = (s: number) => (Math.floor(s / 1200) % 3) * 500 - 500;
const house = (options: Partial<HouseOptions> = {}) => [
  ...houseSeries({ seed: 12, site, toS: 6 * HOUR_S, batteryW, meterPeriodS: 10, ...options }),
];

/** The series in which one field repeats what it showed at HANGS_S. */
function hanging(events: readonly Reading[], change: (reading: Reading, held: Reading) => void): Reading[] {
  const held = new Map<string, Reading>();
  return events.map((event) => {
    if (event.at < START_MS + HANGS_S * 1000) {
      held.set(event.device, event);
      return event;
    }
    const copy = { ...event };
    const from = held.get(event.device);
    if (from !== undefined) change(copy, from);
    return copy;
  });
}

function told(events: readonly Reading[]): string[] {
  return runSeries(site, sensorFlatline, events)
    .filter(({ type }) => type === 'raised')
    .map(
      ({ subject, detectedMs }) =>
        `${subject} after ${((detectedMs - START_MS) / 1000 - HANGS_S) / 60 < 120 ? 'at most 2 h' : 'long'}`,
    );
}

const ofMeter = (set: (to: MeterReading, from: MeterReading) => void) => (to: Reading, from: Reading) => {
  if (to.kind === 'meter' && from.kind === 'meter') set(to, from);
};

describe('a sensor that hangs', () => {
  it.each([
    { quantity: 'meter-1 l1.p', change: ofMeter((to, from) => Object.assign(to, { l1W: from.l1W })) },
    { quantity: 'meter-1 l1.i', change: ofMeter((to, from) => Object.assign(to, { l1A: from.l1A })) },
    { quantity: 'meter-1 l1.v', change: ofMeter((to, from) => Object.assign(to, { l1V: from.l1V })) },
    {
      quantity: 'battery-1 ac.p',
      change: (to: Reading, from: Reading) => {
        if (to.kind === 'battery' && from.kind === 'battery') to.acW = from.acW;
      },
    },
    {
      quantity: 'meter-1 inlet1.i',
      change: ofMeter((to, from) => Object.assign(to, { inlet1A: from.inlet1A })),
    },
    {
      quantity: 'battery-1 ac.i',
      change: (to: Reading, from: Reading) => {
        if (to.kind === 'battery' && from.kind === 'battery') to.acA = from.acA;
      },
    },
  ])('is told: $quantity', ({ quantity, change }) => {
    expect(told(hanging(house(), change))).toEqual([`${quantity} after at most 2 h`]);
  });

  it('is told once where current and power of one clamp hang together', () => {
    const both = ofMeter((to, from) => Object.assign(to, { l1W: from.l1W, l1A: from.l1A }));
    expect(told(hanging(house(), both))).toEqual(['meter-1 l1.p after at most 2 h']);
  });

  it('clears as soon as it moves again', () => {
    const until = START_MS + 5 * HOUR_S * 1000;
    const change = ofMeter((to, from) => Object.assign(to, to.at < until ? { l1W: from.l1W } : {}));
    const transitions = runSeries(site, sensorFlatline, hanging(house(), change));
    expect(transitions.at(-1)?.type).toBe('cleared');
  });
});

describe('a gauge of charge', () => {
  /** Charges a 3000 Wh unit at 600 W for two hours and then rests; the gauge moves with it up to `hangsS`. */
  const charging = (hangsS: number, { shownW = 600, fromPct = 40 } = {}) =>
    seconds(0, 3 * HOUR_S, 10).flatMap((s) => {
      const acW = s < 2 * HOUR_S ? 600 : 5;
      const socPct = Math.floor(fromPct + (100 * 600 * 0.94 * Math.min(s, hangsS, 2 * HOUR_S)) / 3600 / 3000);
      return [
        aMeterReading(s, { inlet1W: s < 2 * HOUR_S ? shownW : 5 }),
        aBatteryReading(s, { acW, socPct: Math.min(100, socPct) }),
      ];
    });

  it('that hangs while the unit charges is told', () => {
    expect(told(charging(HOUR_S))).toEqual(['battery-1 soc after at most 2 h']);
  });

  it.each([
    ['that moves with the charge is right', charging(3 * HOUR_S)],
    ['that stands while the unit rests is right', charging(2 * HOUR_S)],
    ['is not accused of a power that the inlet does not show', charging(HOUR_S, { shownW: 0 })],
    ['that never moved is no gauge', charging(0)],
    ['is not accused near full, where it waits for the cells', charging(300, { fromPct: 96 })],
  ])('%s', (_, events) => {
    expect(told(events)).toEqual([]);
  });
});

describe('what stands still for good reason', () => {
  it('a house that lives', () => {
    expect(told(house())).toEqual([]);
  });

  it('a leg with nothing on it', () => {
    expect(told(house({ loads: [{ legsW: [400, 0], onS: 600, offS: 600 }] }))).toEqual([]);
  });

  it('a quiet night: one constant-power load, voltages to 0.1 V', () => {
    const random = uniform(1);
    const meter = seconds(0, 8 * HOUR_S, 5).map((s) =>
      aMeterReading(s, {
        l1W: 211,
        l1A: 1.8,
        l2W: s % 2400 < 900 ? 160 : 0,
        l2A: s % 2400 < 900 ? 1.4 : 0,
        l1V: Math.round(10 * (121 + 0.02 * random())) / 10,
        l2V: Math.round(10 * (121 - (s % 2400 < 900 ? 0.1 : 0))) / 10,
      }),
    );
    expect(told(meter)).toEqual([]);
  });

  it('a battery that charges at its limit for hours', () => {
    const events = [
      ...seconds(0, 4 * HOUR_S, 5).map((s) =>
        aMeterReading(s, { inlet1W: 1200, l1W: 1500 + (s % 11), l2W: 200 + (s % 7) }),
      ),
      ...seconds(3, 4 * HOUR_S, 10).map((s) => aBatteryReading(s, { acW: 1200 })),
    ];
    expect(told(events)).toEqual([]);
  });

  it('a battery that reports its nominal voltage and no other', () => {
    const nominal = house({ toS: 30 * HOUR_S, meterPeriodS: 30 });
    expect(new Set(nominal.map((event) => (event.kind === 'battery' ? event.acV : 120)))).toEqual(
      new Set([120]),
    );
    expect(told(nominal)).toEqual([]);
  });

  it('a battery that shows its nominal voltage while it rests', () => {
    const random = uniform(2);
    const events = seconds(0, 6 * HOUR_S, 10).flatMap((s) => {
      const isLoaded = s % 1200 < 600;
      const l1V = Math.round(100 * ((isLoaded ? 118.5 : 121) + 0.2 * random())) / 100;
      const works = s < 2 * HOUR_S;
      return [
        aMeterReading(s, { l1V, l1W: isLoaded ? 2500 : 300, inlet1W: works ? 900 : 5 }),
        aBatteryReading(s, { acV: works ? l1V - 0.9 : 120, acW: works ? 900 : 5 }),
      ];
    });
    expect(told(events)).toEqual([]);
  });

  it('voltages rounded to 1 V', () => {
    const coarse = house().map((event) =>
      event.kind === 'meter'
        ? { ...event, l1V: Math.round(event.l1V ?? 0), l2V: Math.round(event.l2V ?? 0) }
        : { ...event, acV: Math.round(event.acV ?? 0) },
    );
    expect(told(coarse)).toEqual([]);
  });

  it('the current of a leg that turns from import to as much export', () => {
    const turning = seconds(0, 2 * HOUR_S, 60).map((s) => {
      const l1W = s % 600 < 300 ? 873 : -873;
      return aMeterReading(s, { l1W, l1A: 7.4, l2W: 300 + (s % 7), l2A: 2.5 });
    });
    expect(told(turning)).toEqual([]);
  });

  it('an outage', () => {
    expect(told(house({ outage: (s) => s > HOUR_S }))).toEqual([]);
  });
});
