// The P-square quantile, against the worked example in its authors' paper and against exact quantiles.
import { describe, expect, it } from 'vitest';
import { advanceP2Quantile, createP2Quantile, p2Quantile } from './p2-quantile.ts';
import { quantile } from './quantile.ts';
import { seededRandom } from './seeded-random.ts';

describe('the median of twenty values in Jain and Chlamtac (1985), table I', () => {
  const state = createP2Quantile(0.5);
  const values = [
    0.02, 0.15, 0.74, 3.39, 0.83, 22.37, 10.15, 15.43, 38.62, 15.92, 34.6, 10.28, 1.47, 0.4, 0.05, 11.39,
    0.27, 0.42, 0.09, 11.37,
  ];
  for (const value of values) advanceP2Quantile(state, value);

  it('ends at 4.44 with the printed markers', () => {
    // The paper prints 0.02 0.50 4.44 17.22 38.62 from rounded steps; unrounded they are 0.4939 4.4406 17.2039.
    expect(p2Quantile(state)).toBeCloseTo(4.44063, 5);
    expect(state.heights[1]).toBeCloseTo(0.493895, 6);
    expect(state.heights[3]).toBeCloseTo(17.2039, 4);
    expect(state.positions).toEqual([1, 6, 10, 16, 20]);
  });
});

describe('many values', () => {
  it.each([0.1, 0.5, 0.95])('quantile %d of a skewed load stays near the exact one', (p) => {
    const { normal } = seededRandom(21);
    const state = createP2Quantile(p);
    const loads = Array.from({ length: 20_000 }, () => Math.exp(6 + 0.7 * normal()));
    for (const load of loads) advanceP2Quantile(state, load);
    const exact = quantile(
      loads.sort((a, b) => a - b),
      p,
    );
    expect(Math.abs((p2Quantile(state) ?? Number.NaN) / exact - 1)).toBeLessThan(0.02);
  });
});

it('up to five values is exact', () => {
  const state = createP2Quantile(0.5);
  expect(p2Quantile(state)).toBeUndefined();
  for (const value of [9, 1, 5, 3]) advanceP2Quantile(state, value);
  expect(p2Quantile(state)).toBe(4);
});
