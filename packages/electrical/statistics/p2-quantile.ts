import { quantile } from './quantile.ts';

/**
 * A quantile of all values so far on five markers, without keeping the values: the P-square algorithm of Jain
 * and Chlamtac, Communications of the ACM 28 (1985) 1076-1085.
 */

/** Plain data, from `createP2Quantile`. */
export interface P2Quantile {
  p: number;
  count: number;
  /** Estimated minimum, p/2, p, (1 + p)/2 quantile and maximum; sorted. Fewer than five: the values so far. */
  heights: number[];
  /** How many values lie at or below each marker. */
  positions: number[];
}

/** @param p which quantile, 0..1 */
export function createP2Quantile(p: number): P2Quantile {
  return { p, count: 0, heights: [], positions: [1, 2, 3, 4, 5] };
}

/** Takes one value in, in place. */
export function advanceP2Quantile(state: P2Quantile, value: number): void {
  const { p, heights, positions } = state;
  state.count += 1;
  if (state.count <= 5) {
    heights.push(value);
    if (state.count === 5) heights.sort((a, b) => a - b);
    return;
  }

  if (value < at(heights, 0)) heights[0] = value;
  if (value > at(heights, 4)) heights[4] = value;
  // Markers above the value move one position up; the last one always does.
  for (let i = 1; i < 5; i++) if (i === 4 || value < at(heights, i)) positions[i] = at(positions, i) + 1;

  for (let i = 1; i < 4; i++) {
    // Markers 1, 2, 3 want to stand at shares p/2, p, (1 + p)/2 of all values.
    const share = i === 1 ? p / 2 : i === 2 ? p : (1 + p) / 2;
    const wanted = 1 + (state.count - 1) * share;
    const here = at(positions, i);
    const away = wanted - here;
    const step =
      away >= 1 && at(positions, i + 1) - here > 1
        ? 1
        : away <= -1 && at(positions, i - 1) - here < -1
          ? -1
          : 0;
    if (step === 0) continue;
    const curved = parabolic(heights, positions, i, step);
    heights[i] =
      at(heights, i - 1) < curved && curved < at(heights, i + 1)
        ? curved
        : linear(heights, positions, i, step);
    positions[i] = here + step;
  }
}

/** The quantile so far; exact up to five values, undefined before the first. */
export function p2Quantile(state: P2Quantile): number | undefined {
  if (state.count === 0) return undefined;
  if (state.count > 5) return at(state.heights, 2);
  return quantile(
    [...state.heights].sort((a, b) => a - b),
    state.p,
  );
}

/** Height of marker i after moving by one position, on the parabola through it and its neighbours. */
function parabolic(
  heights: readonly number[],
  positions: readonly number[],
  i: number,
  step: number,
): number {
  const before = at(positions, i - 1);
  const here = at(positions, i);
  const after = at(positions, i + 1);
  const rise = (at(heights, i + 1) - at(heights, i)) / (after - here);
  const fall = (at(heights, i) - at(heights, i - 1)) / (here - before);
  return (
    at(heights, i) +
    (step / (after - before)) * ((here - before + step) * rise + (after - here - step) * fall)
  );
}

function linear(heights: readonly number[], positions: readonly number[], i: number, step: number): number {
  const run = at(positions, i + step) - at(positions, i);
  return at(heights, i) + (step * (at(heights, i + step) - at(heights, i))) / run;
}

function at(values: readonly number[], index: number): number {
  const value = values[index];
  if (value === undefined) throw new RangeError(`no marker ${index}`);
  return value;
}
