// Theil-Sen lines, against worked examples of the literature.
import { describe, expect, it } from 'vitest';
import { theilSen } from './theil-sen.ts';

describe('Theil-Sen', () => {
  it('ignores the outlier that turns least squares to 1.71', () => {
    // Helsel and Hirsch, Statistical Methods in Water Resources, chapter 10 (data from memory).
    expect(theilSen([1, 2, 3, 4, 5, 6, 7], [1, 2, 3, 4, 5, 16, 7])).toEqual({ slope: 1, intercept: 0 });
  });

  it('passes over one bad point of seven', () => {
    // Test case of the npm library ml-regression-theil-sen 3.0.0.
    expect(theilSen([1, 2, 3, 4, 10, 12, 18], [10, 14, 180, 22, 46, 54, 78])).toEqual({
      slope: 4,
      intercept: 6,
    });
  });

  it('has no slope where x stands still', () => {
    expect(theilSen([5, 5, 5], [1, 2, 3])).toBeUndefined();
  });
});
