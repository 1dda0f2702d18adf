import { medianOfFirst, room } from './quantile.ts';

export interface Line {
  slope: number;
  intercept: number;
}

/**
 * Theil-Sen line: the median of all pairwise slopes, and the median of what it leaves as intercept. Up to 29 %
 * of the points may be arbitrarily wrong. Cost grows with the square of the number of points.
 *
 * @returns undefined when no two points differ in x
 */
export function theilSen(x: readonly number[], y: readonly number[]): Line | undefined {
  const slopes = room((x.length * (x.length - 1)) / 2);
  let pairs = 0;
  for (let i = 1; i < x.length; i++) {
    for (let j = 0; j < i; j++) {
      const dx = (x[i] ?? Number.NaN) - (x[j] ?? Number.NaN);
      if (dx !== 0) slopes[pairs++] = ((y[i] ?? Number.NaN) - (y[j] ?? Number.NaN)) / dx;
    }
  }
  if (pairs === 0) return undefined;
  const slope = medianOfFirst(slopes, pairs);
  const left = room(y.length);
  for (let i = 0; i < y.length; i++) left[i] = (y[i] ?? Number.NaN) - slope * (x[i] ?? Number.NaN);
  return { slope, intercept: medianOfFirst(left, y.length) };
}
