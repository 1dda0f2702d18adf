// Huber's regression, against published results on Brownlee's stack loss data.
import { describe, expect, it } from 'vitest';
import { huberRegression } from './huber-regression.ts';
import { seededRandom } from './seeded-random.ts';

// Brownlee (1965), the `stackloss` data of R: air flow, water temperature, acid concentration, stack loss.
const STACKLOSS: readonly (readonly [number, number, number, number])[] = [
  [80, 27, 89, 42],
  [80, 27, 88, 37],
  [75, 25, 90, 37],
  [62, 24, 87, 28],
  [62, 22, 87, 18],
  [62, 23, 87, 18],
  [62, 24, 93, 19],
  [62, 24, 93, 20],
  [58, 23, 87, 15],
  [58, 18, 80, 14],
  [58, 18, 89, 14],
  [58, 17, 88, 13],
  [58, 18, 82, 11],
  [58, 19, 93, 12],
  [50, 18, 89, 8],
  [50, 18, 86, 7],
  [50, 19, 72, 8],
  [50, 19, 79, 8],
  [50, 20, 80, 9],
  [56, 20, 82, 15],
  [70, 20, 91, 15],
];

describe('stack loss', () => {
  const fit = huberRegression(
    STACKLOSS.map(([air, water, acid]) => [air, water, acid, 1]),
    STACKLOSS.map(([, , , loss]) => loss),
  );
  if (fit.kind !== 'fitted') throw new Error(fit.kind);

  it('has the coefficients and the scale that R and statsmodels print', () => {
    // statsmodels, results of R's MASS::rlm with Huber's psi and MAD scale; these stop iterating earlier.
    const published = [0.82937387, 0.92610818, -0.12784916, -41.02653105];
    fit.coefficients.forEach((value, k) => {
      expect(value).toBeCloseTo(published[k] ?? Number.NaN, 3);
    });
    expect(fit.scale).toBeCloseTo(2.44071379, 3);
  });

  it('weighs down observations 3, 4 and 21 and no other', () => {
    expect(fit.weights[2]).toBeCloseTo(0.7858871, 3);
    expect(fit.weights[3]).toBeCloseTo(0.50494094, 3);
    expect(fit.weights[20]).toBeCloseTo(0.36814106, 3);
    expect(fit.weights.filter((weight) => weight < 1)).toHaveLength(3);
  });
});

describe('a loop resistance under an instrument offset', () => {
  it('is found although one reading in ten was taken during a step', () => {
    const { uniform, normal } = seededRandom(5);
    const rows: number[][] = [];
    const lostV: number[] = [];
    for (let k = 0; k < 400; k++) {
      const currentA = 12 * uniform();
      const misaligned = uniform() < 0.1 ? 3 * uniform() : 0;
      rows.push([currentA, 1]);
      lostV.push(0.16 * currentA + 0.4 + 0.05 * normal() + misaligned);
    }
    const fit = huberRegression(rows, lostV);
    expect(fit.kind === 'fitted' ? fit.coefficients[0] : undefined).toBeCloseTo(0.16, 2);
  });
});

describe('what cannot be fitted', () => {
  it('columns that depend on each other', () => {
    const rows = [1, 2, 3, 4].map((x) => [x, 2 * x]);
    expect(huberRegression(rows, [1, 2, 3, 4.5])).toEqual({ kind: 'singular' });
  });

  it('but an exact line takes all weight from the outlier', () => {
    const fit = huberRegression(
      [0, 1, 2, 3, 4, 5].map((x) => [x, 1]),
      [1, 3, 100, 7, 9, 11],
    );
    if (fit.kind !== 'fitted') throw new Error(fit.kind);
    expect(fit.coefficients[0]).toBeCloseTo(2, 6);
    expect(fit.coefficients[1]).toBeCloseTo(1, 6);
    expect(fit.weights[2]).toBeLessThan(1e-6);
  });
});
