// The slope tracker, against the circuit whose resistances it must find and against batch estimators.
import { describe, expect, it } from 'vitest';
import { impedanceFromSlopes, legVoltages } from '../split-phase.ts';
import { huberRegression } from './huber-regression.ts';
import { seededRandom } from './seeded-random.ts';
import { advanceSlopeTracker, createSlopeTracker, type SlopeTrackerSettings } from './slope-tracker.ts';
import { theilSen } from './theil-sen.ts';

const SETTINGS: SlopeTrackerSettings = { memorySteps: 200, minStepX: 1, leastScaleY: 0.01 };

/**
 * Differences between readings of a house on a service with known resistances: loads step at random, source
 * voltage drifts, both instruments add 50 mV of noise.
 */
function houseDifferences(serviceOhm: number, neutralOhm: number, points: number, seed: number) {
  const { uniform, normal } = seededRandom(seed);
  let sourceV = 121;
  let l1A = 5;
  let l2A = 5;
  const readings = Array.from({ length: points }, () => {
    sourceV += 0.01 * normal();
    if (uniform() < 0.5) l1A = 25 * uniform();
    if (uniform() < 0.5) l2A = 25 * uniform();
    const { l1V, l2V } = legVoltages({ sourceV, serviceOhm, neutralOhm }, l1A, l2A);
    return { l1A, l2A, l1V: l1V + 0.05 * normal(), l2V: l2V + 0.05 * normal() };
  });
  return readings.slice(1).map((now, index) => {
    const before = readings[index] ?? now;
    return {
      sumA: now.l1A + now.l2A - before.l1A - before.l2A,
      sumV: now.l1V + now.l2V - before.l1V - before.l2V,
      differenceA: now.l1A - now.l2A - before.l1A + before.l2A,
      differenceV: now.l1V - now.l2V - before.l1V + before.l2V,
    };
  });
}

/** Steps of 8 A rms through a slope of -0.09 ohm, with noise of choice. */
function track(steps: number, seed: number, noiseV: (random: ReturnType<typeof seededRandom>) => number) {
  const random = seededRandom(seed);
  const state = createSlopeTracker();
  for (let k = 0; k < steps; k++) {
    const dx = 8 * random.normal();
    advanceSlopeTracker(state, SETTINGS, dx, -0.09 * dx + noiseV(random));
  }
  return state;
}

describe('service and neutral resistance', () => {
  it.each([
    // Own arithmetic of the two-leg circuit: slopes of sum and difference are -Zs and -(Zs + 2 Zn).
    { serviceOhm: 0.03, neutralOhm: 0.03, why: 'healthy' },
    { serviceOhm: 0.03, neutralOhm: 0.25, why: 'a loose neutral, long before 127 V is seen' },
  ])('$serviceOhm and $neutralOhm ohm are found in 1500 readings: $why', ({ serviceOhm, neutralOhm }) => {
    const differences = houseDifferences(serviceOhm, neutralOhm, 1500, 19);
    const sum = createSlopeTracker();
    const difference = createSlopeTracker();
    for (const step of differences) {
      advanceSlopeTracker(sum, SETTINGS, step.sumA, step.sumV);
      advanceSlopeTracker(difference, SETTINGS, step.differenceA, step.differenceV);
    }
    const tracked = impedanceFromSlopes(sum.slope, difference.slope);
    expect(tracked.serviceOhm).toBeCloseTo(serviceOhm, 2);
    expect(tracked.neutralOhm).toBeCloseTo(neutralOhm, 2);
    expect(Math.abs(sum.slope + serviceOhm)).toBeLessThan(4 * sum.standardError);

    const some = differences.slice(0, 500);
    const batch = impedanceFromSlopes(
      theilSen(
        some.map(({ sumA }) => sumA),
        some.map(({ sumV }) => sumV),
      )?.slope ?? Number.NaN,
      theilSen(
        some.map(({ differenceA }) => differenceA),
        some.map(({ differenceV }) => differenceV),
      )?.slope ?? Number.NaN,
    );
    expect(batch.serviceOhm).toBeCloseTo(serviceOhm, 2);
    expect(batch.neutralOhm).toBeCloseTo(neutralOhm, 2);
  });
});

describe('the slope', () => {
  it("agrees with Huber's regression through the origin over the same steps", () => {
    const { uniform, normal } = seededRandom(4);
    const settings = { ...SETTINGS, memorySteps: 1e9 };
    const state = createSlopeTracker();
    const rows: number[][] = [];
    const steps: number[] = [];
    for (let k = 0; k < 1000; k++) {
      const dx = (uniform() < 0.5 ? -1 : 1) * (2 + 20 * uniform());
      const dy = -0.09 * dx + 0.07 * normal() + (uniform() < 0.15 ? 3 * normal() : 0);
      rows.push([dx]);
      steps.push(dy);
      advanceSlopeTracker(state, settings, dx, dy);
    }
    const batch = huberRegression(rows, steps);
    const slope = batch.kind === 'fitted' ? (batch.coefficients[0] ?? Number.NaN) : Number.NaN;
    expect(Math.abs(state.slope - slope)).toBeLessThan(state.standardError);
  });

  it.each([
    { why: 'normal noise', outliers: 0 },
    { why: 'every fifth step an outlier', outliers: 0.2 },
  ])('has an honest standard error: $why', ({ outliers }) => {
    for (const steps of [12, 40, 150, 800]) {
      const squares = Array.from({ length: 300 }, (_, run) => {
        const state = track(
          steps,
          1000 * run + steps,
          ({ uniform, normal }) => 0.07 * normal() + (uniform() < outliers ? 2 * normal() : 0),
        );
        return ((state.slope + 0.09) / state.standardError) ** 2;
      });
      const rms = Math.sqrt(squares.reduce((sum, square) => sum + square, 0) / squares.length);
      expect(rms).toBeGreaterThan(0.8);
      expect(rms).toBeLessThan(1.35);
    }
  });

  it('is followed within 30 steps when it jumps, as when a neutral comes loose', () => {
    const state = track(1000, 3, ({ normal }) => 0.07 * normal());
    const { normal } = seededRandom(8);
    let steps = 0;
    while (Math.abs(state.slope + 0.5) > 0.02 && steps < 1000) {
      const dx = 8 * normal();
      advanceSlopeTracker(state, SETTINGS, dx, -0.5 * dx + 0.07 * normal());
      steps += 1;
    }
    expect(steps).toBeLessThanOrEqual(30);
    expect(state.restarts).toBe(1);
  });

  it('never begins anew without a reason', () => {
    const noisy = track(200_000, 6, ({ uniform, normal }) => 0.07 * normal() + (uniform() < 0.2 ? 2 : 0));
    expect(noisy.restarts).toBe(0);
    expect(noisy.slope).toBeCloseTo(-0.09, 2);
  });

  it('survives three wrong steps of the first eight', () => {
    const state = createSlopeTracker();
    const steps = [8, -6, 10, -9, 7, -5, 6, -4];
    steps.forEach((dx, k) => {
      advanceSlopeTracker(state, SETTINGS, dx, k % 2 === 1 && k < 7 ? 4 : -0.09 * dx);
    });
    expect(state.slope).toBeCloseTo(-0.09, 1);
    expect(state.effectiveCount).toBeGreaterThan(1);
  });
});

it('says nothing before eight steps, and passes over steps too small to tell', () => {
  const state = createSlopeTracker();
  for (let k = 0; k < 100; k++) advanceSlopeTracker(state, SETTINGS, 0.5, 3);
  for (let k = 0; k < 7; k++) advanceSlopeTracker(state, SETTINGS, 5, -0.45);
  expect(state.effectiveCount).toBe(0);
  advanceSlopeTracker(state, SETTINGS, 5, -0.45);
  expect(state.slope).toBeCloseTo(-0.09, 12);
});

it('is plain data of bounded size: a copy through JSON goes on the same', () => {
  const state = track(500, 2, ({ normal }) => 0.07 * normal());
  const copy: typeof state = JSON.parse(JSON.stringify(state));
  advanceSlopeTracker(state, SETTINGS, 5, -0.4);
  advanceSlopeTracker(copy, SETTINGS, 5, -0.4);
  expect(copy).toEqual(state);
  expect(JSON.stringify(state).length).toBeLessThan(500);
});
