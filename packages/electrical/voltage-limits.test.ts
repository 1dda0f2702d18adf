// Service voltage ranges and rms aggregation, against ANSI C84.1 and the definition in IEC 61000-4-30.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { addRms, aggregatedRmsV, serviceVoltageLimits, serviceVoltageRange } from './voltage-limits.ts';

describe('ANSI C84.1 service voltage', () => {
  it.each([
    // Range A 114..126 as published; range B 110..127 from memory.
    { rmsV: 109.9, range: 'outside' },
    { rmsV: 110, range: 'B' },
    { rmsV: 113.9, range: 'B' },
    { rmsV: 114, range: 'A' },
    { rmsV: 120, range: 'A' },
    { rmsV: 126, range: 'A' },
    { rmsV: 126.1, range: 'B' },
    { rmsV: 127, range: 'B' },
    { rmsV: 127.1, range: 'outside' },
  ])('$rmsV V on a 120 V leg: $range', ({ rmsV, range }) => {
    expect(serviceVoltageRange(rmsV, 120)).toBe(range);
  });

  it('is 228..252 V and 220..254 V between the legs', () => {
    expect(serviceVoltageLimits(240)).toEqual({
      rangeAMinV: 228,
      rangeAMaxV: 252,
      rangeBMinV: 220,
      rangeBMaxV: 254,
    });
  });

  it('range A is nominal plus and minus 5 %', () => {
    const limits = serviceVoltageLimits(120);
    expect(limits.rangeAMinV / 120).toBeCloseTo(0.95, 12);
    expect(limits.rangeAMaxV / 120).toBeCloseTo(1.05, 12);
  });
});

describe('rms aggregation', () => {
  const aggregate = (readings: readonly (readonly [number, number])[]) => {
    const state = { squareVS: 0, durationS: 0 };
    for (const [rmsV, durationS] of readings) addRms(state, rmsV, durationS);
    return aggregatedRmsV(state);
  };

  it('is the root of the mean square, above the mean of volts', () => {
    // IEC 61000-4-30 (from memory): sqrt((110^2 + 130^2) / 2) = 120.416, not 120.
    expect(
      aggregate([
        [110, 5],
        [130, 5],
      ]),
    ).toBeCloseTo(120.4159, 4);
  });

  it('equals the rms of the underlying wave taken whole', () => {
    // A sine of 118 V for 3 s and of 124 V for 7 s: rms by definition over all samples.
    const samples = Array.from({ length: 60_000 }, (_, k) => {
      const rmsV = k < 18_000 ? 118 : 124;
      return Math.SQRT2 * rmsV * Math.sin((2 * Math.PI * k) / 100);
    });
    const wholeV = Math.sqrt(samples.reduce((sum, v) => sum + v * v, 0) / samples.length);
    expect(
      aggregate([
        [118, 3],
        [124, 7],
      ]),
    ).toBeCloseTo(wholeV, 6);
  });

  it('lies between the lowest and the highest reading, and knows nothing of no reading', () => {
    const reading = fc.tuple(
      fc.double({ min: 0, max: 300, noNaN: true }),
      fc.double({ min: 1, max: 60, noNaN: true }),
    );
    fc.assert(
      fc.property(fc.array(reading, { minLength: 1 }), (readings) => {
        const values = readings.map(([rmsV]) => rmsV);
        const rmsV = aggregate(readings) ?? Number.NaN;
        expect(rmsV).toBeGreaterThanOrEqual(Math.min(...values) - 1e-9);
        expect(rmsV).toBeLessThanOrEqual(Math.max(...values) + 1e-9);
      }),
    );
    expect(aggregate([])).toBeUndefined();
  });
});
