// Quantiles and median deviations, against the NIST/SEMATECH handbook.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { MAD_TO_SIGMA, median, medianAbsoluteDeviation, quantile } from './quantile.ts';
import { seededRandom } from './seeded-random.ts';

const ascending = (values: readonly number[]) => [...values].sort((a, b) => a - b);

describe('quantile', () => {
  it('0.9 of the gauge readings is 95.1957', () => {
    // NIST/SEMATECH e-Handbook 7.2.6.2, definition R7.
    const gauge = [
      95.1772, 95.1567, 95.1937, 95.1959, 95.1442, 95.061, 95.1591, 95.1195, 95.1065, 95.0925, 95.199,
      95.1682,
    ];
    expect(quantile(ascending(gauge), 0.9)).toBeCloseTo(95.19568, 5);
  });

  it('runs from the least to the greatest value', () => {
    fc.assert(
      fc.property(fc.array(fc.double({ noNaN: true, min: -1e6, max: 1e6 }), { minLength: 1 }), (values) => {
        expect(quantile(ascending(values), 0)).toBeCloseTo(Math.min(...values), 12);
        expect(quantile(ascending(values), 1)).toBeCloseTo(Math.max(...values), 12);
      }),
    );
  });

  it('of nothing is a mistake', () => {
    expect(() => quantile([], 0.5)).toThrow(RangeError);
  });
});

describe('median absolute deviation', () => {
  it('finds the outlier of the mass spectrometer data', () => {
    // NIST/SEMATECH e-Handbook 1.3.5.17.1: modified z score 0.6745 |x - median| / MAD of 245.57 is 29.96.
    const masses = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57];
    const score = (0.6745 * (245.57 - median(masses))) / medianAbsoluteDeviation(masses);
    expect(score).toBeCloseTo(29.96, 1);
  });

  it('times 1.4826 is the standard deviation of normal data', () => {
    const { normal } = seededRandom(11);
    const values = Array.from({ length: 20_001 }, () => 120 + 0.4 * normal());
    expect(MAD_TO_SIGMA * medianAbsoluteDeviation(values)).toBeCloseTo(0.4, 2);
  });
});
