// Random streams: repeatable, independent of each other by name, and of the distributions they claim.

import { describe, expect, it } from 'vitest';
import { type RandomStream, randomStream } from './random.ts';

const SAMPLES = 40_000;

function sample(draw: (random: RandomStream) => number): number[] {
  const random = randomStream('seed', 'test');
  return Array.from({ length: SAMPLES }, () => draw(random));
}

function mean(values: readonly number[]): number {
  return values.reduce((sum, value) => sum + value, 0) / values.length;
}

function correlation(a: readonly number[], b: readonly number[]): number {
  const [meanA, meanB] = [mean(a), mean(b)];
  const product = mean(a.map((value, index) => (value - meanA) * ((b[index] ?? 0) - meanB)));
  return product / Math.sqrt(mean(a.map((v) => (v - meanA) ** 2)) * mean(b.map((v) => (v - meanB) ** 2)));
}

describe('random streams', () => {
  it('give the same numbers for the same seed and names, and others for any other', () => {
    const draws = (seed: string, ...names: (string | number)[]) => {
      const random = randomStream(seed, ...names);
      return Array.from({ length: 8 }, () => random.uniform());
    };
    expect(draws('a', 'kettle', 3)).toEqual(draws('a', 'kettle', 3));
    for (const other of [draws('b', 'kettle', 3), draws('a', 'lights', 3), draws('a', 'kettle', 4)]) {
      expect(other).not.toEqual(draws('a', 'kettle', 3));
    }
  });

  it('of neighbouring days are not correlated', () => {
    const draws = (day: number) => {
      const random = randomStream('a', 'kettle', day);
      return Array.from({ length: SAMPLES }, () => random.uniform());
    };
    // Four standard errors of a correlation of independent samples.
    expect(Math.abs(correlation(draws(1), draws(2)))).toBeLessThan(4 / Math.sqrt(SAMPLES));
  });

  it('are uniform by a chi-square test of 100 cells', () => {
    const counts = new Array<number>(100).fill(0);
    for (const value of sample((random) => random.uniform())) {
      counts[Math.floor(value * 100)] = (counts[Math.floor(value * 100)] ?? 0) + 1;
    }
    const expected = SAMPLES / 100;
    const chiSquare = counts.reduce((sum, count) => sum + (count - expected) ** 2 / expected, 0);
    // Upper 0.1 % point of chi-square with 99 degrees of freedom: 148.2 (NIST/SEMATECH e-Handbook 1.3.6.7.4).
    expect(chiSquare).toBeLessThan(148.2);
  });

  it('have the moments of their distributions', () => {
    const normal = sample((random) => random.normal());
    expect(mean(normal)).toBeCloseTo(0, 1);
    expect(mean(normal.map((value) => value ** 2))).toBeCloseTo(1, 1);
    // A normal distribution has a kurtosis of 3.
    expect(Math.abs(mean(normal.map((value) => value ** 4)) - 3)).toBeLessThan(0.2);
    expect(Math.abs(mean(sample((random) => random.exponential(7))) - 7)).toBeLessThan(0.15);
    const logs = sample((random) => Math.log(random.logNormal(20, 0.5)));
    expect(mean(logs)).toBeCloseTo(Math.log(20), 1);
  });
});
