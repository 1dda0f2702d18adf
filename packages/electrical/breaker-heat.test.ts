// The breaker account, against the calibration points of UL 489.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { advanceBreakerHeat, latestTripS } from './breaker-heat.ts';

/** Seconds of a constant current until the account is full, or Infinity within three hours. */
function secondsToFull(currentA: number, ratedA: number): number {
  const state = { usedFraction: 0 };
  for (let second = 1; second <= 3 * 3600; second++) {
    if (advanceBreakerHeat(state, currentA, ratedA, 1) >= 1 - 1e-9) return second;
  }
  return Infinity;
}

describe('UL 489 bounds of a 15 A breaker', () => {
  it.each([
    { pct: 100, latestS: Infinity, why: 'it must hold its rating' },
    { pct: 120, latestS: Infinity, why: 'it need not trip below 135 %' },
    { pct: 134.9, latestS: Infinity, why: 'it need not trip below 135 %' },
    { pct: 135, latestS: 3600, why: 'within one hour' },
    { pct: 200, latestS: 120, why: 'within two minutes up to 30 A' },
  ])('$pct %: $latestS s, $why', ({ pct, latestS }) => {
    expect(latestTripS(pct / 100, 15)).toBeCloseTo(latestS, 9);
    expect(secondsToFull((15 * pct) / 100, 15)).toBe(latestS);
  });

  it('half of the published time uses half of it', () => {
    const state = { usedFraction: 0 };
    expect(advanceBreakerHeat(state, 30, 15, 60)).toBeCloseTo(0.5, 12);
    expect(advanceBreakerHeat(state, 20.25, 15, 900)).toBeCloseTo(0.75, 12);
  });

  it('larger ratings have longer times (from memory: 4 min to 50 A, 6 min and 2 h to 100 A)', () => {
    expect(latestTripS(2, 40)).toBe(240);
    expect(latestTripS(2, 60)).toBe(360);
    expect(latestTripS(1.35, 60)).toBe(7200);
    expect(() => latestTripS(2, 200)).toThrow(RangeError);
  });
});

describe('cooling', () => {
  it('forgets an overload after the load falls, faster the lighter the load', () => {
    const idle = { usedFraction: 0.8 };
    const loaded = { usedFraction: 0.8 };
    expect(advanceBreakerHeat(idle, 0, 15, 600)).toBeLessThan(0.05);
    expect(advanceBreakerHeat(loaded, 15, 15, 600)).toBeLessThan(0.8);
    expect(idle.usedFraction).toBeLessThan(loaded.usedFraction);
  });

  it('follows the thermal model that meets both published points', () => {
    // theta' = (M^2 - theta) / tau: cold to 1.35^2 takes 120 s at 200 % and is only just reached at 135 %.
    const tauS = 120 / Math.log(4 / (4 - 1.35 ** 2));
    const state = { usedFraction: 1 };
    expect(advanceBreakerHeat(state, 0, 15, tauS)).toBeCloseTo(Math.exp(-1), 12);
    expect(4 * (1 - Math.exp(-120 / tauS))).toBeCloseTo(1.35 ** 2, 12);
  });
});

const multiple = fc.double({ min: 0, max: 8, noNaN: true });
const fraction = fc.double({ min: 0, max: 1, noNaN: true });
const seconds = fc.double({ min: 0, max: 4000, noNaN: true });

it('more current never uses less', () => {
  fc.assert(
    fc.property(multiple, multiple, fraction, seconds, (a, b, usedFraction, dtS) => {
      const less = advanceBreakerHeat({ usedFraction }, 15 * Math.min(a, b), 15, dtS);
      const more = advanceBreakerHeat({ usedFraction }, 15 * Math.max(a, b), 15, dtS);
      expect(more).toBeGreaterThanOrEqual(less);
    }),
  );
});

it('the step length does not matter', () => {
  fc.assert(
    fc.property(multiple, fraction, seconds, fraction, (times, usedFraction, dtS, split) => {
      const whole = advanceBreakerHeat({ usedFraction }, 15 * times, 15, dtS);
      const parts = { usedFraction };
      advanceBreakerHeat(parts, 15 * times, 15, dtS * split);
      expect(advanceBreakerHeat(parts, 15 * times, 15, dtS * (1 - split))).toBeCloseTo(whole, 9);
    }),
  );
});

it('the latest trip time never grows with current', () => {
  fc.assert(
    fc.property(multiple, multiple, (a, b) => {
      expect(latestTripS(Math.max(a, b), 15)).toBeLessThanOrEqual(latestTripS(Math.min(a, b), 15));
    }),
  );
});
