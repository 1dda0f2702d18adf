// Operating times, against a table worked from the constants of IEC 60255-151 and IEEE C37.112.
import { describe, expect, it } from 'vitest';
import { type IecCurveName, type IeeeCurveName, iecOperatingS, ieeeOperatingS } from './inverse-time.ts';

describe('IEC 60255-151 at a time multiplier of 1', () => {
  const names: IecCurveName[] = ['standard', 'very', 'extremely', 'long-time'];
  it.each([
    { multiple: 1.2, timesS: [38.3237, 67.5, 181.8182, 600] },
    { multiple: 1.35, timesS: [23.2553, 38.5714, 97.2644, 342.8571] },
    { multiple: 1.5, timesS: [17.1942, 27, 64, 240] },
    { multiple: 2, timesS: [10.029, 13.5, 26.6667, 120] },
    { multiple: 3, timesS: [6.3019, 6.75, 10, 60] },
    { multiple: 5, timesS: [4.2797, 3.375, 3.3333, 30] },
    { multiple: 10, timesS: [2.9706, 1.5, 0.8081, 13.3333] },
    { multiple: 20, timesS: [2.2674, 0.7105, 0.2005, 6.3158] },
  ])('$multiple times the setting', ({ multiple, timesS }) => {
    expect(names.map((name) => Number(iecOperatingS(name, multiple).toFixed(4)))).toEqual(timesS);
  });

  it('standard inverse is the 3-second curve: 2.97 s at ten times (textbook value, from memory)', () => {
    expect(iecOperatingS('standard', 10)).toBeCloseTo(2.97, 2);
  });

  it('scales with the time multiplier', () => {
    expect(iecOperatingS('very', 2, 0.1)).toBeCloseTo(1.35, 12);
  });
});

describe('IEEE C37.112 at a time dial of 1', () => {
  const names: IeeeCurveName[] = ['moderately', 'very', 'extremely'];
  it.each([
    { multiple: 1.5, timesS: [6.439, 16.179, 22.6817] },
    { multiple: 2, timesS: [3.8032, 7.0277, 9.5217] },
    { multiple: 3, timesS: [2.4322, 2.9423, 3.6467] },
    { multiple: 5, timesS: [1.6883, 1.3081, 1.2967] },
    { multiple: 10, timesS: [1.2068, 0.6891, 0.4065] },
    { multiple: 20, timesS: [0.9481, 0.5401, 0.1924] },
  ])('$multiple times pickup', ({ multiple, timesS }) => {
    expect(names.map((name) => Number(ieeeOperatingS(name, multiple).toFixed(4)))).toEqual(timesS);
  });
});

it('no curve operates at or below its setting', () => {
  expect(iecOperatingS('extremely', 1)).toBe(Infinity);
  expect(ieeeOperatingS('very', 0.8)).toBe(Infinity);
});
