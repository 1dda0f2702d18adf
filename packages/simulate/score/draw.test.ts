// The homes that the score is taken on: repeatable, possible, and of every shape.

import { describe, expect, it } from 'vitest';
import { FAULTS } from '../faults/faults.ts';
import { drawFaultlessRun, drawFaultRun, drawPairRun, KINDS, mendedRun } from './draw.ts';
import { drawSite } from './draw-site.ts';
import { PAIRS } from './pairs.ts';
import { PLANS } from './plans.ts';

const SITES = Array.from({ length: 300 }, (_, i) => drawSite(`test/${i}`));
const HOUR_MS = 3_600_000;

describe('drawn sites', () => {
  it.each([
    { what: 'a second inlet', has: (site: (typeof SITES)[0]) => site.inlets.length === 2 },
    { what: 'two inlets on one leg', has: ({ inlets: [a, b] }: (typeof SITES)[0]) => a?.leg === b?.leg },
    {
      what: 'inlets that share a breaker',
      has: ({ inlets }: (typeof SITES)[0]) => inlets[1]?.breaker !== null && inlets[1] !== undefined,
    },
    {
      what: 'two batteries on one inlet',
      has: ({ inlets, batteries }: (typeof SITES)[0]) => batteries.length > inlets.length,
    },
    { what: 'a battery on L2', has: ({ inlets }: (typeof SITES)[0]) => inlets[0]?.leg === 'L2' },
    { what: 'other generation', has: ({ service }: (typeof SITES)[0]) => service.otherGeneration },
    { what: 'no tariff', has: ({ tariff }: (typeof SITES)[0]) => tariff === null },
    { what: 'seasons', has: ({ tariff }: (typeof SITES)[0]) => tariff?.seasons.length === 2 },
  ])('have $what now and then, but not always', ({ has }) => {
    const share = SITES.filter(has).length / SITES.length;
    expect(share).toBeGreaterThan(0.02);
    expect(share).toBeLessThan(0.75);
  });

  it('lie in zones with and without daylight saving time', () => {
    const zones = new Set(SITES.map(({ timeZone }) => timeZone));
    expect(zones).toContain('America/Phoenix');
    expect(zones).toContain('America/New_York');
  });

  it('never charge beyond what their circuit may carry for hours (NEC 210.20(A): 80 % of the breaker)', () => {
    for (const { inlets, batteries } of SITES) {
      for (const inlet of inlets) {
        const onBreaker = batteries.filter(({ inlet: number }) => {
          const its = inlets.find((other) => other.number === number);
          return its === inlet || (inlet.breaker !== null && its?.breaker === inlet.breaker);
        });
        const watts = onBreaker.reduce((sum, { chargeLimitWatts }) => sum + chargeLimitWatts, 0);
        expect(watts).toBeLessThanOrEqual(0.8 * 120 * inlet.breakerAmps);
      }
    }
  });
});

describe('drawn runs', () => {
  it('are the same for the same seed, and others for another', () => {
    const draw = (seed: string) => drawFaultRun(seed, 'reserve-low', 3).scenario;
    expect(draw('one')).toEqual(draw('one'));
    expect(draw('one')).not.toEqual(draw('two'));
  });

  it.each(KINDS.filter((kind) => kind !== 'fleet-silence'))('%s can happen where it is drawn', (kind) => {
    for (const index of [0, 1, 2]) {
      const { scenario } = drawFaultRun('test', kind, index);
      const [spec] = scenario.faults ?? [];
      if (spec === undefined) throw new Error('a fault run has a fault');
      expect(PLANS[kind].faults).toContain(spec.name);
      expect(FAULTS[spec.name].subjects(scenario.site)).toContain(spec.subject);
      expect(FAULTS[spec.name].tells(spec, scenario.site).map((told) => told.kind)).toContain(kind);
      expect(spec.onsetMs).toBeGreaterThan(scenario.fromMs);
      expect(spec.severity).toBe(index < 2 ? index : spec.severity);
    }
  });

  it('of two faults have two different ones that come within half an hour', () => {
    for (let index = 0; index < 40; index += 1) {
      const { scenario } = drawPairRun('test', index);
      const [first, second] = scenario.faults ?? [];
      if (first === undefined || second === undefined) throw new Error('a pair has two faults');
      expect(first.name).not.toBe(second.name);
      expect(second.onsetMs - first.onsetMs).toBeLessThanOrEqual(0.5 * HOUR_MS);
      for (const { name, subject } of [first, second]) {
        expect(FAULTS[name].subjects(scenario.site)).toContain(subject);
      }
    }
  });

  it('every kind that one home can have is paired with another', () => {
    const paired = new Set(PAIRS.flat());
    expect(KINDS.filter((kind) => kind !== 'fleet-silence' && !paired.has(kind))).toEqual([]);
  });

  it('that are mended are the same home with the same fault, which ends after it was told', () => {
    const run = drawFaultRun('test', 'battery-hot', 2);
    const toldMs = (run.scenario.faults?.[0]?.onsetMs ?? 0) + HOUR_MS;
    const { scenario } = mendedRun(run, 'battery-hot', toldMs);
    const [before, after] = [run, { scenario }].map((one) => one.scenario.faults?.[0]);
    expect(after?.endMs).toBeGreaterThan(toldMs);
    expect({ ...after, endMs: null }).toEqual(before);
    expect(scenario.site).toEqual(run.scenario.site);
  });

  it('without a fault have storms that are announced in good time', () => {
    const runs = Array.from({ length: 10 }, (_, i) => drawFaultlessRun('test', i, 90).scenario);
    const alerts = runs.flatMap((run) => run.alerts ?? []);
    expect(alerts.length).toBeGreaterThan(0);
    for (const { sentMs, onsetMs } of alerts) expect(onsetMs - sentMs).toBeGreaterThanOrEqual(10 * HOUR_MS);
    expect(runs.flatMap((run) => run.faults ?? [])).toEqual([]);
  });
});
