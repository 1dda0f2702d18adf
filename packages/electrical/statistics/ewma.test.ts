// The moving average, against the worked example of the NIST/SEMATECH handbook.
import { describe, expect, it } from 'vitest';
import { ewma, ewmaLimits } from './ewma.ts';

describe('NIST/SEMATECH e-Handbook 6.3.2.4', () => {
  const values = [
    52, 47, 53, 49.3, 50.1, 47, 51, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6,
    52.1,
  ];
  const printed = [
    50.6, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38,
    49.92, 50.73, 51.23, 51.94, 51.99,
  ];

  it('has the printed averages', () => {
    let average = 50;
    values.forEach((value, index) => {
      average = ewma(average, value, 0.3);
      expect(Math.abs(average - (printed[index] ?? Number.NaN))).toBeLessThan(0.0051);
    });
  });

  it('has the printed limits, which no average passes', () => {
    // Printed 52.5884 and 47.4115, with the root rounded to four digits.
    const limits = ewmaLimits(50, 2.0539, 0.3);
    expect(limits.upper).toBeCloseTo(52.5884, 3);
    expect(limits.lower).toBeCloseTo(47.4115, 3);
    expect(printed.every((average) => average > limits.lower && average < limits.upper)).toBe(true);
  });
});
