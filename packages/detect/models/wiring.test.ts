// Every signed permutation of the service clamps is told from a few battery steps, and nothing that a right
// installation shows is taken for a wrong one. What a misplaced clamp reads comes from the split-phase
// arithmetic of packages/electrical (its own tests hold it against the derivation).

import { CT_ARRANGEMENTS, clampPowerW } from '@afterwatt/electrical';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { CATALOG } from '../catalog.ts';
import { startEngine } from '../engine.ts';
import type { SiteEvent } from '../event.ts';
import { aBatteryReading, aMeterReading, aSite, START_MS, seconds } from '../test-support.ts';
import { logsOf } from './wiring/clamp-pair.ts';
import { type HouseOptions, houseSeries, usualLoads } from './wiring/test-house.ts';
import { wiringReport } from './wiring-report.ts';

const HOUR_S = 3600;
const DAY_S = 24 * HOUR_S;
const WIRING = CATALOG.filter(({ kind }) => kind.includes('ct-'));
const site = aSite();
const twoInlets = aSite({
  inlets: [
    { number: 1, leg: 'L1' },
    { number: 2, leg: 'L2' },
  ],
  batteries: [
    { device: 'battery-1', inlet: 1 },
    { device: 'battery-2', inlet: 2 },
  ],
});

/** Charges at 13:00, discharges at 17:00 of the site's time. */
const daily = (s: number) => {
  const hour = (s / HOUR_S) % 24;
  if (hour >= 1 && hour < 3) return 1200;
  return hour >= 5 && hour < 8 ? -900 : 0;
};

/** What was raised ('kind subject'), and the engine as it stands after. */
function run(events: Iterable<SiteEvent>, on = site) {
  const engine = startEngine(on, undefined, WIRING);
  const raised: string[] = [];
  for (const event of events) {
    for (const t of engine.step(event)) if (t.type === 'raised') raised.push(`${t.kind} ${t.subject}`);
  }
  return { raised, standing: engine.standing().map((s) => `${s.kind} ${s.subject}`), view: engine.view };
}

/** A quiet house (300 W and 200 W) with a battery on L1 that is switched every five minutes. */
function switched(arrangement: (typeof CT_ARRANGEMENTS)[number], toS = 3600): SiteEvent[] {
  const batteryW = (s: number) => (Math.floor(s / 300) % 2 === 0 ? 0 : 1000);
  const meter = seconds(0, toS, 5).map((s) => {
    const legW = { L1: 300 + batteryW(s) + (s % 7), L2: 200 + (s % 3) };
    const { l1, l2 } = arrangement;
    return aMeterReading(s, {
      l1W: Math.round(clampPowerW('L1', l1, legW[l1.onLeg], 120, 120)),
      l2W: Math.round(clampPowerW('L2', l2, legW[l2.onLeg], 120, 120)),
      inlet1W: batteryW(s),
      inlet1A: batteryW(s) / 120,
    });
  });
  const battery = seconds(2, toS, 10).map((s) => aBatteryReading(s, { acW: batteryW(s) }));
  return [...meter, ...battery].sort((a, b) => a.at - b.at);
}

function arranged(name: (typeof CT_ARRANGEMENTS)[number]['name']): (typeof CT_ARRANGEMENTS)[number] {
  const arrangement = CT_ARRANGEMENTS.find((one) => one.name === name);
  if (arrangement === undefined) throw new Error(`no arrangement ${name}`);
  return arrangement;
}

const EXPECTED: Readonly<Record<(typeof CT_ARRANGEMENTS)[number]['name'], readonly string[]>> = {
  'in-place': [],
  'l1-reversed': ['service-ct-reversed L1'],
  'l2-reversed': ['service-ct-reversed L2'],
  'both-reversed': ['service-ct-reversed L1', 'service-ct-reversed L2'],
  swapped: ['service-ct-swapped service'],
  'swapped-l1-reversed': ['service-ct-reversed L1', 'service-ct-swapped service'],
  'swapped-l2-reversed': ['service-ct-reversed L2', 'service-ct-swapped service'],
  'swapped-both-reversed': ['service-ct-swapped service'],
};

describe('the eight ways in which two service clamps may sit', () => {
  it.each(CT_ARRANGEMENTS.map((arrangement) => ({ name: arrangement.name, arrangement })))(
    '$name is named so by battery steps, with a night of standing load for the leg without a battery',
    ({ name, arrangement }) => {
      // From noon past the following midnight, so that the leg without a battery is judged as well.
      expect(run(switched(arrangement, 16 * HOUR_S)).standing.sort()).toEqual([...EXPECTED[name]].sort());
    },
  );
});

interface Case extends Partial<Omit<HouseOptions, 'seed' | 'site'>> {
  readonly why: string;
  readonly on?: typeof site;
}

const solar = (s: number) => {
  // START_MS is noon: generation from 7 to 19 o'clock.
  const hour = (s / HOUR_S + 12) % 24;
  return hour > 7 && hour < 19 ? 4000 * Math.sin(((hour - 7) / 12) * Math.PI) : 0;
};
const generating = aSite({ service: { otherGeneration: true } });

describe('a right installation is never blamed', () => {
  it.each<Case>([
    { why: 'a big solar exporter', on: generating, generationW: (s) => [solar(s) / 2, solar(s) / 2] },
    { why: 'panels nobody registered', generationW: (s) => [solar(s) / 2, solar(s) / 2] },
    { why: 'panels nobody registered, on one leg', generationW: (s) => [0, solar(s) / 2] },
    {
      why: 'an electric car that starts to charge with the battery',
      loads: [...usualLoads(3), { legsW: [3600, 3600], onS: 9000, offS: 1, dailyAtS: HOUR_S }],
    },
    {
      why: 'nothing at all on L2',
      loads: [...usualLoads(3).filter(({ legsW }) => legsW[1] === 0), { legsW: [150, 0], onS: 1e9, offS: 1 }],
    },
    { why: 'a dryer with its motor on one leg', loads: [{ legsW: [3000, 2500], onS: 900, offS: 3000 }] },
    { why: 'a battery idle for weeks', batteryW: () => 0 },
    { why: 'outages with islanding', outage: (s) => s % 40_000 > 30_000 },
    { why: 'battery clock that jumps by a minute', offsetS: (s) => (Math.floor(s / 20_000) % 3) * 60 - 60 },
    { why: 'a tenth of the readings lost', lost: 0.1 },
    { why: 'a battery that ramps for a minute', rampS: 60 },
    { why: 'a battery that ripples', batteryW: (s) => daily(s) * (1 + 0.15 * Math.sin(s / 7)) },
    {
      why: 'a battery that follows its leg',
      batteryW: (s, _, house) => (daily(s) < 0 ? -(house[0] ?? 0) : daily(s)),
    },
    { why: 'two batteries that always do the same', on: twoInlets },
  ])('$why', ({ why: _, on = site, ...options }) => {
    const series = houseSeries({
      seed: 3,
      site: on,
      toS: 3 * DAY_S,
      batteryW: daily,
      batteryPeriodS: 20,
      meterPeriodS: 15,
      ...options,
    });
    expect(run(series, on).raised).toEqual([]);
  });
});

describe('two faults at once', () => {
  it('are told as what they are: inlet 1 and L2 reversed', () => {
    const series = houseSeries({
      seed: 5,
      site,
      toS: DAY_S,
      batteryW: daily,
      meterPeriodS: 15,
      service: () => [
        { on: 0, gain: 1 },
        { on: 1, gain: -1 },
      ],
      inlets: () => [{ on: 0, gain: -1 }],
    });
    expect(run(series).standing.sort()).toEqual(['inlet-ct-reversed inlet 1', 'service-ct-reversed L2']);
  });
});

describe('a clamp that changes during the life of a site', () => {
  const turnedFrom = (fromS: number, toS: number) => (s: number) => [
    { on: 0, gain: s >= fromS && s < toS ? -1 : 1 },
    { on: 1, gain: 1 },
  ];

  it('is found within a day after having been proven right, and clears within a day once it is mended', () => {
    const engine = startEngine(site, undefined, WIRING);
    const told: [string, number][] = [];
    const [turnedS, mendedS] = [4 * DAY_S, 6 * DAY_S];
    const service = turnedFrom(turnedS, mendedS);
    for (const event of houseSeries({
      seed: 8,
      site,
      toS: 8 * DAY_S,
      batteryW: daily,
      meterPeriodS: 15,
      service,
    })) {
      for (const t of engine.step(event)) {
        if (t.type !== 'updated') told.push([`${t.type} ${t.kind} ${t.subject}`, (t.atMs - START_MS) / 1000]);
      }
    }
    expect(told.map(([what]) => what)).toEqual([
      'raised service-ct-reversed L1',
      'cleared service-ct-reversed L1',
    ]);
    expect(told[0]?.[1]).toBeLessThan(turnedS + DAY_S);
    expect(told[1]?.[1]).toBeLessThan(mendedS + DAY_S);
  });

  it('is proven afresh once somebody says that it is mended', () => {
    const events = switched(arranged('l1-reversed'));
    const engine = startEngine(site, undefined, WIRING);
    for (const event of events) engine.step(event);
    expect(engine.standing()).toHaveLength(1);
    const at = START_MS + 3_600_000;
    engine.step({ kind: 'mended', at, incidentKind: 'service-ct-reversed', subject: 'L1' });
    const [l1, , inlet] = wiringReport(engine.view);
    expect(l1).toMatchObject({ clamp: 'L1', status: 'not yet proven', lastEvidenceMs: null });
    expect(inlet?.status).toBe('proven right');
    expect(engine.standing()).toEqual([]);
  });
});

describe('readings beyond all sense', () => {
  const odd = fc.oneof(
    fc.constant(null),
    fc.constantFrom(0, -0, 1, -1, 120, -250_000, 250_000),
    fc.double({ min: -3000, max: 3000, noNaN: true }),
  );
  const volts = fc.oneof(
    fc.constant(null),
    fc.constantFrom(0, 1, 120, 400),
    fc.integer({ min: 118, max: 122 }),
  );

  it('never leave the posterior without a number', () => {
    const rows = fc.array(fc.tuple(odd, odd, odd, odd, odd, volts, volts), { minLength: 20, maxLength: 60 });
    fc.assert(
      fc.property(rows, (series) => {
        const engine = startEngine(twoInlets, undefined, WIRING);
        for (const [i, [l1W, l2W, inlet1W, inlet2W, acW, l1V, l2V]] of series.entries()) {
          engine.step(aMeterReading(10 * i, { l1W, l2W, inlet1W, inlet2W, l1V, l2V }));
          engine.step(aBatteryReading(10 * i + 3, { acW }));
          engine.step(aBatteryReading(10 * i + 4, { acW: inlet2W }, 'battery-2'));
        }
        const { service, inlets } = engine.view.wiring;
        expect([...logsOf(service), ...logsOf(inlets)].every(Number.isFinite)).toBe(true);
        expect(wiringReport(engine.view).every((clamp) => Number.isFinite(clamp.rightProbability))).toBe(
          true,
        );
      }),
      { numRuns: 60 },
    );
  });

  it('voltages rounded to 1 V blame no clamp', () => {
    const events = [...houseSeries({ seed: 31, site, toS: 4 * DAY_S, batteryW: daily, meterPeriodS: 15 })];
    for (const event of events) {
      if (event.kind !== 'meter') continue;
      event.l1V = Math.round(event.l1V ?? 0);
      event.l2V = Math.round(event.l2V ?? 0);
    }
    expect(run(events).raised).toEqual([]);
  });
});

describe('the report of a site', () => {
  it('says of each clamp what is proven, and by how much evidence', () => {
    const { view } = run(switched(arranged('l1-reversed')));
    const [l1, l2, inlet] = wiringReport(view);
    expect(l1).toMatchObject({ clamp: 'L1', quantity: 'l1.p', status: 'proven wrong', faults: ['reversed'] });
    expect(l1?.evidence.steps).toBeGreaterThanOrEqual(3);
    expect(l1?.rightProbability).toBeLessThan(0.01);
    // No battery on L2, and no night yet.
    expect(l2?.status).toBe('not yet proven');
    expect(inlet).toMatchObject({
      clamp: 'inlet 1',
      quantity: 'inlet1.p',
      status: 'proven right',
      faults: [],
    });
    expect(inlet?.lastEvidenceMs).toBeGreaterThan(START_MS);
  });

  it('survives a restart: saved and loaded, it goes on as if nothing had happened', () => {
    const events = switched(arranged('l1-reversed'));
    const straight = run(events);
    let engine = startEngine(site, undefined, WIRING);
    const raised: string[] = [];
    for (const [i, event] of events.entries()) {
      if (i % 97 === 0) engine = startEngine(site, JSON.parse(JSON.stringify(engine.save())), WIRING);
      for (const t of engine.step(event)) if (t.type === 'raised') raised.push(`${t.kind} ${t.subject}`);
    }
    expect(raised).toEqual(straight.raised);
    expect(engine.view.wiring).toEqual(straight.view.wiring);
  });

  it('keeps its state small: below 3.5 KiB with two inlets', () => {
    const { view } = run(
      houseSeries({ seed: 2, site: twoInlets, toS: DAY_S, batteryW: daily, meterPeriodS: 15 }),
      twoInlets,
    );
    expect(JSON.stringify(view.wiring).length).toBeLessThan(3.5 * 1024);
  });
});
