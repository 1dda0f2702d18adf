// The confidence interval of a share against published values.

import { describe, expect, it } from 'vitest';
import { wilsonInterval } from './wilson.ts';

describe('the 95 % interval of a share', () => {
  // Newcombe (1998), Statistics in Medicine 17, 857-872, table I, method 3 (score, without continuity correction;
  // from memory).
  it.each([
    [81, 263, 0.2553, 0.3662],
    [15, 148, 0.0624, 0.1605],
    [0, 20, 0, 0.1611],
    [1, 29, 0.0061, 0.1718],
  ])('of %i in %i is %f to %f', (hits, count, low, high) => {
    const interval = wilsonInterval(hits, count);
    expect(interval?.low).toBeCloseTo(low, 4);
    expect(interval?.high).toBeCloseTo(high, 4);
  });

  it('of nothing is not known', () => {
    expect(wilsonInterval(0, 0)).toBeNull();
  });
});
