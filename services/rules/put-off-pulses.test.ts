// A site that is not told of pulses that change nothing finds the same as one that is told of each.

import { startEngine, startSequence, type Transition } from '@afterwatt/detect';
import { emptyBatteryReading, emptyMeterReading, type Reading, type Site, siteSchema } from '@afterwatt/wire';
import fc from 'fast-check';
import { expect, it } from 'vitest';
import { type Arrival, type SavedWatch, type SiteWatch, watchSite } from './site-watch.ts';

const START_MS = Date.UTC(2026, 2, 3, 5);
const site: Site = siteSchema.parse({
  id: 'pulses',
  name: 'pulses',
  timeZone: 'America/Denver',
  batteries: [{ device: 'battery-1', inlet: 1 }],
});

type Watched = Pick<SiteWatch, 'wake' | 'accept' | 'pulse' | 'save'>;

/** Tells sequence and engine of every pulse. */
function watchEagerly(saved?: SavedWatch): Watched {
  const engine = startEngine(site, saved?.engine);
  const sequence = startSequence(site, saved?.sequence);
  const run = ({ events, passTimeToMs }: ReturnType<typeof sequence.pulse>) => {
    const transitions: Transition[] = [];
    for (const event of events) transitions.push(...engine.step(event));
    if (passTimeToMs !== undefined) transitions.push(...engine.passTime(passTimeToMs));
    return transitions.map((transition) => ({ transition, apart: false }));
  };
  return {
    wake(pulseMs) {
      const deaf = sequence.wake(pulseMs);
      if (deaf !== undefined) engine.step(deaf);
    },
    accept: ({ readings, others }) => run(sequence.accept(readings, others)),
    pulse: (pulseMs) => run(sequence.pulse(pulseMs)),
    save() {
      const held = sequence.save();
      return held === undefined ? undefined : { engine: engine.save(), sequence: held };
    },
  };
}

function watchLazily(saved?: SavedWatch): Watched {
  return watchSite({ siteNo: 1, site, tx: 0, saved, alerts: [] });
}

const aPulse = fc.record({
  what: fc.constant('pulse' as const),
  /** Since the last one, seconds: two ingests may write theirs in the other order; one may have been away. */
  afterS: fc.oneof(
    { weight: 30, arbitrary: fc.constant(1) },
    { weight: 3, arbitrary: fc.integer({ min: -2, max: 12 }) },
    { weight: 1, arbitrary: fc.integer({ min: 50, max: 400 }) },
  ),
});
const someReadings = fc.record({
  what: fc.constant('readings' as const),
  /** How old they are when they come, seconds: prompt, ahead, in packs, and from before a lost connection. */
  agesS: fc.array(
    fc.oneof(
      { weight: 12, arbitrary: fc.integer({ min: 0, max: 4 }) },
      { weight: 1, arbitrary: fc.integer({ min: -200, max: 200 }) },
      { weight: 1, arbitrary: fc.integer({ min: 800, max: 3_000 }) },
    ),
    { minLength: 1, maxLength: 3 },
  ),
  device: fc.constantFrom('meter-1', 'battery-1'),
  socPct: fc.constantFrom(10, 10, 60),
});
const aRestart = fc.record({ what: fc.constant('restart' as const) });
const story = fc.array(
  fc.oneof(
    { weight: 40, arbitrary: aPulse },
    { weight: 20, arbitrary: someReadings },
    { weight: 1, arbitrary: aRestart },
  ),
  { minLength: 20, maxLength: 600, size: 'max' },
);

function readingOf(device: string, at: number, socPct: number): Reading {
  if (device === 'meter-1')
    return { ...emptyMeterReading(device, at), l1V: 120, l2V: 120, l1W: 300, l2W: 200 };
  return { ...emptyBatteryReading(device, at), socPct, acW: 0, gridPresent: true };
}

function tell(
  told: typeof story extends fc.Arbitrary<infer T> ? T : never,
  start: (saved?: SavedWatch) => Watched,
) {
  let watch = start();
  let nowMs = START_MS;
  let arrival: Arrival = { readings: [], others: [] };
  const found: unknown[] = [];
  const saved: unknown[] = [];
  for (const part of told) {
    switch (part.what) {
      case 'pulse':
        nowMs += part.afterS * 1000;
        watch.wake(nowMs);
        if (arrival.readings.length > 0) found.push(...watch.accept(arrival).filter(({ apart }) => !apart));
        arrival = { readings: [], others: [] };
        found.push(...watch.pulse(nowMs).filter(({ apart }) => !apart));
        break;
      case 'readings':
        // Some come in the transaction of a pulse, the others in one of their own.
        for (const ageS of part.agesS)
          arrival.readings.push(readingOf(part.device, nowMs - ageS * 1000, part.socPct));
        if (part.agesS.length > 1) {
          found.push(...watch.accept(arrival).filter(({ apart }) => !apart));
          arrival = { readings: [], others: [] };
        }
        break;
      case 'restart': {
        const state = JSON.parse(JSON.stringify(watch.save() ?? null));
        saved.push(state);
        watch = start(state ?? undefined);
        break;
      }
    }
  }
  return JSON.stringify({ found, saved, end: watch.save() });
}

it('finds the same, and saves the same, as one that is told of every pulse', () => {
  let raised = 0;
  fc.assert(
    fc.property(story, (told) => {
      const lazy = tell(told, watchLazily);
      if (lazy.includes('"raised"')) raised += 1;
      expect(lazy).toBe(tell(told, watchEagerly));
    }),
    { numRuns: 60 },
  );
  expect(raised).toBeGreaterThan(5);
});
