// Energy counting, against integrals with a known answer and the definition of the watt-hour.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { advanceEnergy, compareWithRegister, emptyEnergyCount } from './energy.ts';

type Reading = readonly [atS: number, powerW: number];

function count(readings: readonly Reading[], periodS = 5) {
  const state = emptyEnergyCount();
  for (const [atS, powerW] of readings) advanceEnergy(state, atS * 1000, powerW, periodS * 1000);
  return state;
}

describe('energy', () => {
  it('of 1 kW over an hour is 1 kWh', () => {
    const readings = Array.from({ length: 721 }, (_, k): Reading => [5 * k, 1000]);
    expect(count(readings).positiveWh).toBeCloseTo(1000, 9);
  });

  it('of a sine has equal halves: peak times period over pi', () => {
    // The integral of a half-wave of 1000 W over a 24 h period is 1000 * 24 / pi Wh = 7639.4 Wh.
    const readings = Array.from(
      { length: 1441 },
      (_, k): Reading => [60 * k, 1000 * Math.sin((2 * Math.PI * k) / 1440)],
    );
    const { positiveWh, negativeWh } = count(readings, 60);
    expect(positiveWh).toBeCloseTo(7639.44, 1);
    expect(negativeWh).toBeCloseTo(positiveWh, 6);
  });

  it('keeps import and export apart where power crosses zero between readings', () => {
    // From +300 W to -100 W in 4 s: zero after 3 s; triangles of 450 and 50 Ws.
    const { positiveWh, negativeWh } = count([
      [0, 300],
      [4, -100],
    ]);
    expect(positiveWh).toBeCloseTo(450 / 3600, 12);
    expect(negativeWh).toBeCloseTo(50 / 3600, 12);
  });

  it('bridges five periods and no more', () => {
    const bridged = count([
      [0, 1000],
      [25, 1000],
    ]);
    expect(bridged).toMatchObject({ coveredMs: 25_000, gapMs: 0 });
    const gap = count([
      [0, 1000],
      [26, 1000],
      [31, 1000],
    ]);
    expect(gap).toMatchObject({ coveredMs: 5000, gapMs: 26_000 });
    expect(gap.positiveWh).toBeCloseTo(5000 / 3600, 12);
  });

  it('counts a reading that comes twice or late only once', () => {
    const once = count([
      [0, 500],
      [5, 700],
      [10, 600],
    ]);
    const twice = count([
      [0, 500],
      [5, 700],
      [0, 500],
      [5, 700],
      [10, 600],
    ]);
    expect(twice).toEqual(once);
  });
});

const watts = fc.double({ min: -5000, max: 5000, noNaN: true });

it('is additive: a reading put in on the line between two others changes nothing', () => {
  fc.assert(
    fc.property(watts, watts, fc.double({ min: 0.01, max: 0.99, noNaN: true }), (from, to, share) => {
      const whole = count([
        [0, from],
        [10, to],
      ]);
      const split = count([
        [0, from],
        [10 * share, from + share * (to - from)],
        [10, to],
      ]);
      expect(split.positiveWh).toBeCloseTo(whole.positiveWh, 9);
      expect(split.negativeWh).toBeCloseTo(whole.negativeWh, 9);
    }),
  );
});

it('positive less negative is the plain trapezoid', () => {
  fc.assert(
    fc.property(fc.array(watts, { minLength: 2, maxLength: 50 }), (powers) => {
      const { positiveWh, negativeWh } = count(powers.map((powerW, k): Reading => [5 * k, powerW]));
      const ends = ((powers[0] ?? 0) + (powers.at(-1) ?? 0)) / 2;
      const trapezoidWh = (5 * (powers.reduce((sum, powerW) => sum + powerW, 0) - ends)) / 3600;
      expect(positiveWh - negativeWh).toBeCloseTo(trapezoidWh, 6);
    }),
  );
});

describe('comparison with a register', () => {
  it('tells by how much the count is off', () => {
    expect(compareWithRegister(1010, 52_000, 53_000)).toEqual({
      kind: 'compared',
      registerWh: 1000,
      differenceWh: 10,
      differencePct: 1,
    });
  });

  it('has no percentage of a register that stood still', () => {
    expect(compareWithRegister(2, 500, 500)).toMatchObject({ differenceWh: 2, differencePct: null });
  });

  it('says nothing of a register that went back', () => {
    expect(compareWithRegister(10, 9990, 3)).toEqual({ kind: 'register-went-back' });
  });
});
