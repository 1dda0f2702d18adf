// The cumulative sum, against the worked example of the NIST/SEMATECH handbook.
import { describe, expect, it } from 'vitest';
import { advanceCusum } from './cusum.ts';

describe('NIST/SEMATECH e-Handbook 6.3.2.3', () => {
  const groupMeans = [
    324.925, 324.675, 324.725, 324.35, 325.35, 325.225, 324.125, 324.525, 325.225, 324.6, 324.625, 325.15,
    328.325, 327.25, 327.825, 328.5, 326.675, 327.775, 326.875, 328.35,
  ];
  const printedHigh = [
    0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16, 19.04,
  ];
  const printedLow = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0];
  const state = { high: 0, low: 0 };
  const rows = groupMeans.map((mean) => {
    const signal = advanceCusum(state, mean - 325, 0.3175, 4.1959);
    return { ...state, signal };
  });

  it('has the printed sums', () => {
    rows.forEach(({ high, low }, index) => {
      // Two digits are printed, ties rounded either way.
      expect(Math.abs(high - (printedHigh[index] ?? Number.NaN))).toBeLessThan(0.0051);
      expect(Math.abs(low - (printedLow[index] ?? Number.NaN))).toBeLessThan(0.0051);
    });
  });

  it('signals from group 14 on, upward', () => {
    expect(rows.findIndex(({ signal }) => signal !== 'none')).toBe(13);
    expect(rows.slice(13).every(({ signal }) => signal === 'high')).toBe(true);
  });

  it('signals the mirror image downward', () => {
    const mirrored = { high: 0, low: 0 };
    const signals = groupMeans.map((mean) => advanceCusum(mirrored, 325 - mean, 0.3175, 4.1959));
    expect(signals.indexOf('low')).toBe(13);
    expect(signals).not.toContain('high');
  });
});
