/**
 * Sample quantile by linear interpolation between order statistics: type 7 of Hyndman and Fan (1996), the
 * default of R, spreadsheets and most libraries.
 *
 * @param sorted values in ascending order, at least one
 * @param p 0..1; 0.5 is the median
 * @param count how many of the values from the first on
 */
export function quantile(sorted: ArrayLike<number>, p: number, count = sorted.length): number {
  const position = p * (count - 1);
  const below = Math.floor(position);
  const low = sorted[below];
  if (low === undefined) throw new RangeError(`no quantile ${p} of ${count} values`);
  const high = below + 1 < count ? (sorted[below + 1] ?? low) : low;
  return low + (position - below) * (high - low);
}

/** Up to so many values are sorted by insertion, which takes no memory and less time than a general sort. */
const FEW = 48;

/** Median of values in any order; they are left as they are. */
export function median(values: readonly number[]): number {
  const copy = room(values.length);
  for (let i = 0; i < values.length; i++) copy[i] = values[i] ?? Number.NaN;
  return medianOfFirst(copy, values.length);
}

/** Median absolute deviation from the median, as it is; see `MAD_TO_SIGMA`. */
export function medianAbsoluteDeviation(values: readonly number[]): number {
  const center = median(values);
  const deviations = room(values.length);
  for (let i = 0; i < values.length; i++) deviations[i] = Math.abs((values[i] ?? Number.NaN) - center);
  return medianOfFirst(deviations, values.length);
}

let shared = new Float64Array(FEW);

/** Room for so many values until the next call: medians are taken so often that each would be garbage. */
export function room(count: number): Float64Array {
  if (count > shared.length) shared = new Float64Array(count);
  return shared;
}

/** Median of the first `count` values, 1 and up; they are left in ascending order. */
export function medianOfFirst(values: Float64Array, count: number): number {
  if (count > FEW) values.subarray(0, count).sort();
  else sortFew(values, count);
  return quantile(values, 0.5, count);
}

function sortFew(values: Float64Array, count: number): void {
  for (let i = 1; i < count; i++) {
    const value = values[i] ?? Number.NaN;
    let place = i;
    for (; place > 0 && (values[place - 1] ?? Number.NaN) > value; place--) {
      values[place] = values[place - 1] ?? Number.NaN;
    }
    values[place] = value;
  }
}

/** Standard deviation of a normal distribution over its median absolute deviation: 1 / 0.6745. */
export const MAD_TO_SIGMA = 1.4826;
