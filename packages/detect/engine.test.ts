// The engine says the same however it is interrupted, and one thing at a time of each fault.

import type { Site } from '@afterwatt/wire';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { startEngine, type Transition } from './engine.ts';
import type { SiteEvent } from './event.ts';
import {
  aBatteryReading,
  aDeviceState,
  aMeterReading,
  aSite,
  aStormMessage,
  HOME,
  START_MS,
  seconds,
} from './test-support.ts';

const MINUTE_S = 60;
const PERIOD_S = 20;

const ALL_DAY = { from: '00:00', to: '24:00' } as const;
const site = aSite({
  location: HOME,
  tariff: {
    seasons: [
      {
        name: 'all year',
        weekday: [
          { period: 'super-off-peak', from: '00:00', to: '12:30' },
          { period: 'peak', from: '12:30', to: '14:00' },
          { period: 'off-peak', from: '14:00', to: '24:00' },
        ],
        weekend: [{ period: 'off-peak', ...ALL_DAY }],
      },
    ],
    rates: { peak: 0.42, 'off-peak': 0.17, 'super-off-peak': 0.09 },
  },
});

/** A stretch in which things are as they are; every stretch may hold another fault. */
const stretch = fc.record({
  minutes: fc.integer({ min: 5, max: 90 }),
  socPct: fc.integer({ min: 2, max: 100 }),
  acW: fc.constantFrom(0, 20, 400, 1400, 2400, -300, -1400),
  tempC: fc.constantFrom(25, 30, 60),
  rssiDbm: fc.constantFrom(-50, -85),
  reservePct: fc.constantFrom(20, 3),
  l1W: fc.integer({ min: -500, max: 4000 }),
  voltage: fc.constantFrom(120, 108, 131),
  grid: fc.constantFrom(true, true, true, false),
  meterHeard: fc.constantFrom(true, true, true, false),
  batteryHeard: fc.constantFrom(true, true, true, false),
  lostEvery: fc.constantFrom(1000, 3),
  will: fc.boolean(),
});
const stretches = fc.array(stretch, { minLength: 1, maxLength: 8 });

type Stretch = typeof stretch extends fc.Arbitrary<infer T> ? T : never;

/** The readings of such stretches, one after the other, with a storm alert an hour in. */
function eventsOf(list: readonly Stretch[]): SiteEvent[] {
  const events: SiteEvent[] = [aStormMessage({ sentS: 3600 })];
  let fromS = 0;
  let seq = 0;
  for (const now of list) {
    const toS = fromS + now.minutes * MINUTE_S;
    if (now.will) events.push(aDeviceState(fromS, { online: false, firmware: `1.${now.minutes}` }));
    for (const s of seconds(fromS, toS, PERIOD_S)) {
      seq += 1;
      if (seq % now.lostEvery === 0) continue;
      if (now.meterHeard) {
        events.push(
          aMeterReading(s, {
            l1V: now.voltage,
            l1W: now.l1W + now.acW + (seq % 5),
            l2W: 300 + (seq % 7),
            inlet1W: now.acW + (seq % 2),
            inlet1A: Math.abs(now.acW) / 120,
            rssiDbm: now.rssiDbm,
            seq,
            periodS: PERIOD_S,
          }),
        );
      }
      if (now.batteryHeard) {
        events.push(
          aBatteryReading(s + 3, {
            socPct: now.socPct,
            acW: now.acW,
            acA: Math.abs(now.acW) / 120,
            tempC: now.tempC,
            gridPresent: now.grid,
            reservePct: now.reservePct,
            rssiDbm: now.rssiDbm,
            seq,
            periodS: PERIOD_S,
          }),
        );
      }
    }
    fromS = toS;
  }
  return events.sort((a, b) => a.at - b.at);
}

/** Runs through an engine that is saved as JSON and started anew before each event whose index is in `cuts`. */
function run(on: Site, events: readonly SiteEvent[], cuts: ReadonlySet<number> = new Set()): Transition[] {
  let engine = startEngine(on);
  const transitions: Transition[] = [];
  for (const [index, event] of events.entries()) {
    if (cuts.has(index)) engine = startEngine(on, JSON.parse(JSON.stringify(engine.save())));
    transitions.push(...engine.step(event));
  }
  transitions.push(...engine.passTime(engine.view.nowMs + 7_200_000));
  return transitions;
}

describe('an engine that is stopped and started again', () => {
  it('tells the same as one that was not, at any point', () => {
    fc.assert(
      fc.property(stretches, fc.array(fc.nat(), { maxLength: 6 }), (list, points) => {
        const events = eventsOf(list);
        const cuts = new Set(points.map((point) => point % events.length));
        expect(run(site, events, cuts)).toEqual(run(site, events));
      }),
      { numRuns: 80 },
    );
  }, 120_000);

  it('starts afresh from a state it cannot read', () => {
    expect(startEngine(site, { view: 'of another age' }).standing()).toEqual([]);
  });
});

describe('whatever a site sends', () => {
  it('has at most one incident open of each kind and subject, and clears only what was raised', () => {
    fc.assert(
      fc.property(stretches, (list) => {
        const open = new Map<string, number>();
        for (const { type, kind, subject, detectedMs } of run(site, eventsOf(list))) {
          const name = `${kind} ${subject}`;
          expect(open.has(name), `${type} ${name}`).toBe(type !== 'raised');
          if (type === 'raised') open.set(name, detectedMs);
          expect(open.get(name)).toBe(detectedMs);
          if (type === 'cleared') open.delete(name);
        }
      }),
      { numRuns: 80 },
    );
  }, 120_000);

  it('reaches the same time through one step as through many', () => {
    fc.assert(
      fc.property(stretches, fc.array(fc.integer({ min: 1, max: 3600 })), (list, hops) => {
        const events = eventsOf(list);
        const once = startEngine(site);
        const often = startEngine(site);
        for (const event of events) {
          once.step(event);
          often.step(event);
        }
        const endMs = once.view.nowMs + 4_000_000;
        const inHops: Transition[] = [];
        let atMs = once.view.nowMs;
        for (const hop of hops) {
          atMs = Math.min(endMs, atMs + hop * 1000);
          inHops.push(...often.passTime(atMs));
        }
        inHops.push(...often.passTime(endMs));
        expect(inHops).toEqual(once.passTime(endMs));
      }),
      { numRuns: 40 },
    );
  }, 120_000);
});

describe('a cause', () => {
  const idleW = { socPct: 60, acW: 0 };
  const alert = aStormMessage({ sentS: 0 });
  const readings = seconds(0, 1800, 10).map((s) => aBatteryReading(s, idleW));
  /** Of the battery; the meter was never heard. */
  const told = (transitions: readonly Transition[]) =>
    transitions
      .filter(({ type, subject }) => type !== 'updated' && subject === 'battery-1')
      .map(({ type, kind }) => `${type} ${kind}`);

  it('closes what it explains', () => {
    const engine = startEngine(site);
    const legs = (fromS: number, l1V: number, l2V: number) =>
      seconds(fromS, fromS + 300, 5).map((s) => aMeterReading(s, { l1V, l2V, l1W: 900, l2W: 300 }));
    // High on one leg alone first, then with the other leg low: it was the neutral.
    const transitions = [...legs(0, 129, 120), ...legs(300, 140, 100)].flatMap((event) => [
      ...engine.step(event),
    ]);
    expect(transitions.find(({ type }) => type === 'cleared')).toMatchObject({
      kind: 'voltage-out-of-range',
      subject: 'L1',
      why: 'explained by another incident',
    });
  });

  it('lets stand what it only keeps from being judged', () => {
    const engine = startEngine(site);
    for (const event of [alert, ...readings]) engine.step(event);
    expect(told(engine.passTime(START_MS + 3_600_000))).toEqual(['raised device-silent']);
    expect(engine.standing().map(({ kind }) => kind)).toContain('storm-charge-stalled');
  });

  it('leaves one fault one incident over an hour in which its meter is not heard', () => {
    const engine = startEngine(site);
    // A service that sags to 112 V all the while: below the 114 V of ANSI C84.1 range A.
    const sagging = (fromS: number) =>
      seconds(fromS, fromS + 3600, 10).map((s) => aMeterReading(s, { l1V: 112, l2V: 120 }));
    const transitions = [
      ...sagging(0).flatMap((event) => [...engine.step(event)]),
      ...engine.passTime(START_MS + 7_200_000),
      ...sagging(7200).flatMap((event) => [...engine.step(event)]),
    ].filter(
      ({ type, kind, subject }) =>
        type !== 'updated' && (kind === 'voltage-out-of-range' || subject === 'meter-1'),
    );
    expect(transitions.map(({ type, kind }) => `${type} ${kind}`)).toEqual([
      'raised voltage-out-of-range',
      'raised device-silent',
      'cleared device-silent',
    ]);
  });

  it('keeps it from being raised', () => {
    const engine = startEngine(site);
    for (const event of [alert, ...readings.slice(0, 30)]) engine.step(event);
    expect(told(engine.passTime(START_MS + 7_200_000))).toEqual(['raised device-silent']);
  });
});

it('takes no notice of a device that is not, or no longer, of the site', () => {
  const engine = startEngine(site);
  const strangers = seconds(0, 3600, 10).map((s) =>
    aBatteryReading(s, { socPct: 3, acW: 0, tempC: 90 }, 'battery-9'),
  );
  expect(strangers.flatMap((event) => [...engine.step(event)])).toEqual([]);
});

describe('a fault that is marked mended', () => {
  it('is closed, and raised anew when it has not gone', () => {
    const engine = startEngine(site);
    const low = (fromS: number) =>
      seconds(fromS, fromS + 1200, 10).map((s) => aBatteryReading(s, { socPct: 10, acW: 0 }));
    const kinds = (events: readonly SiteEvent[]) =>
      events.flatMap((event) => [...engine.step(event)]).filter(({ kind }) => kind === 'reserve-low');
    expect(kinds(low(0)).map(({ type }) => type)).toEqual(['raised']);
    const mended = kinds([
      { kind: 'mended', at: START_MS + 1_195_000, incidentKind: 'reserve-low', subject: 'battery-1' },
    ]);
    expect(mended).toMatchObject([{ type: 'cleared', why: 'mended' }]);
    expect(kinds(low(1200)).map(({ type }) => type)).toEqual(['raised']);
  });
});
