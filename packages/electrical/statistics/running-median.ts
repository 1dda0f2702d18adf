/**
 * Median and median absolute deviation of the last values, on bounded state. One step costs a binary search
 * and a shift within the window; nothing is allocated once the window is full.
 */

/** Plain data, from `createRunningMedian`. */
export interface RunningMedian {
  windowSize: number;
  /** The window in order of arrival, a ring; `next` is where the next value goes. */
  arrived: number[];
  next: number;
  /** The same values in ascending order. */
  sorted: number[];
}

/** @param windowSize how many values are kept, 1 and up */
export function createRunningMedian(windowSize: number): RunningMedian {
  return { windowSize, arrived: [], next: 0, sorted: [] };
}

/** Takes a value in, in place; the oldest leaves when the window is full. The value must be a number. */
export function advanceRunningMedian(state: RunningMedian, value: number): void {
  const { arrived, sorted, windowSize, next } = state;
  // `gap` is a free place in `sorted`; it moves to where the value belongs.
  let gap = sorted.length;
  if (next < arrived.length) gap = lowerBound(sorted, arrived[next] ?? value);
  else sorted.push(value);
  while (gap + 1 < sorted.length && (sorted[gap + 1] ?? value) < value) {
    sorted[gap] = sorted[gap + 1] ?? value;
    gap += 1;
  }
  while (gap > 0 && (sorted[gap - 1] ?? value) > value) {
    sorted[gap] = sorted[gap - 1] ?? value;
    gap -= 1;
  }
  sorted[gap] = value;
  arrived[next] = value;
  state.next = (next + 1) % windowSize;
}

/** Median of the window; undefined while it is empty. */
export function runningMedian(state: RunningMedian): number | undefined {
  const { sorted } = state;
  const upper = sorted[sorted.length >> 1];
  if (upper === undefined || sorted.length % 2 === 1) return upper;
  return (upper + (sorted[(sorted.length >> 1) - 1] ?? upper)) / 2;
}

/** Median absolute deviation of the window, as it is (times 1.4826 for a standard deviation); undefined while empty. */
export function runningMad(state: RunningMedian): number | undefined {
  const center = runningMedian(state);
  if (center === undefined) return undefined;
  const { sorted } = state;
  // Deviations grow outward from the median on both sides: merge the sides up to the middle deviation.
  const middle = sorted.length >> 1;
  let low = ((sorted.length + 1) >> 1) - 1;
  let high = low + 1;
  let deviation = 0;
  let previous = 0;
  for (let rank = 0; rank <= middle; rank++) {
    previous = deviation;
    const below = center - (sorted[low] ?? -Infinity);
    const above = (sorted[high] ?? Infinity) - center;
    if (below <= above) low -= 1;
    else high += 1;
    deviation = Math.min(below, above);
  }
  return sorted.length % 2 === 1 ? deviation : (previous + deviation) / 2;
}

/** First index whose value is not below `value`. */
function lowerBound(sorted: readonly number[], value: number): number {
  let low = 0;
  let high = sorted.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if ((sorted[middle] ?? Infinity) < value) low = middle + 1;
    else high = middle;
  }
  return low;
}
