// The 80 % and 125 % rules, against the limits that the NEC prints itself.
import { describe, expect, it } from 'vitest';
import { CONTINUOUS_LOAD_S, continuousLimitA, continuousLimitW, requiredRatingA } from './continuous-load.ts';

describe('continuous load', () => {
  it.each([
    // NEC Table 210.21(B)(2), maximum cord-and-plug-connected load by receptacle rating.
    { ratedA: 15, limitA: 12 },
    { ratedA: 20, limitA: 16 },
    { ratedA: 30, limitA: 24 },
  ])('a $ratedA A circuit carries $limitA A', ({ ratedA, limitA }) => {
    expect(continuousLimitA(ratedA)).toBe(limitA);
    expect(requiredRatingA(limitA, 0)).toBe(ratedA);
  });

  it('is 1440 W on a 15 A, 120 V inlet', () => {
    expect(continuousLimitW(15, 120)).toBe(1440);
  });

  it('asks for a rating of all of the noncontinuous and 125 % of the continuous load', () => {
    // NEC 210.20(A): 8 A continuous and 6 A noncontinuous need 16 A, so a 20 A device.
    expect(requiredRatingA(8, 6)).toBe(16);
  });

  it('begins at three hours', () => {
    expect(CONTINUOUS_LOAD_S).toBe(10_800);
  });
});
