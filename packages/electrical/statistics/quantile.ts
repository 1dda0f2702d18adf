/**
 * Sample quantile by linear interpolation between order statistics: type 7 of Hyndman and Fan (1996), the
 * default of R, spreadsheets and most libraries.
 *
 * @param sorted values in ascending order, at least one
 * @param p 0..1; 0.5 is the median
 */
export function quantile(sorted: ArrayLike<number>, p: number): number {
  const position = p * (sorted.length - 1);
  const below = Math.floor(position);
  const low = sorted[below];
  if (low === undefined) throw new RangeError(`no quantile ${p} of ${sorted.length} values`);
  return low + (position - below) * ((sorted[below + 1] ?? low) - low);
}

/** Median of values in any order; they are left as they are. */
export function median(values: readonly number[]): number {
  return quantile(new Float64Array(values).sort(), 0.5);
}

/** Median absolute deviation from the median, as it is; see `MAD_TO_SIGMA`. */
export function medianAbsoluteDeviation(values: readonly number[]): number {
  const center = median(values);
  return median(values.map((value) => Math.abs(value - center)));
}

/** Standard deviation of a normal distribution over its median absolute deviation: 1 / 0.6745. */
export const MAD_TO_SIGMA = 1.4826;
