import { MAD_TO_SIGMA, median } from './quantile.ts';

/** 95 % efficiency on normal data (Huber 1981, and the default of statistics packages). */
export const HUBER_TUNING = 1.345;

const MAX_ITERATIONS = 200;
/** Relative change of the coefficients in the last iteration. */
const TOLERANCE = 1e-10;

export type HuberFit =
  | {
      kind: 'fitted';
      /** One per column. */
      coefficients: number[];
      /** Standard deviation of the residuals as the median deviation sees it. */
      scale: number;
      /** One per row, 0..1: below 1 a residual beyond 1.345 scales. */
      weights: number[];
    }
  /** Columns depend on each other, or there are fewer rows than columns. */
  | { kind: 'singular' }
  | { kind: 'not-converged' };

/**
 * Huber's M-regression by iteratively reweighted least squares, k = 1.345, scale by the median absolute
 * residual in every iteration.
 *
 * @param rows one row an observation, all of the same length; a column of ones is the intercept
 * @param y observations, as many as rows
 */
export function huberRegression(rows: readonly (readonly number[])[], y: readonly number[]): HuberFit {
  let weights: number[] = y.map(() => 1);
  let coefficients = leastSquares(rows, y, weights);
  for (let iteration = 0; iteration < MAX_ITERATIONS; iteration++) {
    if (coefficients === undefined) return { kind: 'singular' };
    const residuals = residualsOf(rows, y, coefficients);
    const scale = MAD_TO_SIGMA * median(residuals.map(Math.abs));
    const limit = HUBER_TUNING * scale;
    weights = residuals.map((residual) => (Math.abs(residual) <= limit ? 1 : limit / Math.abs(residual)));
    // More than half of the points lie on the line: nothing is left to improve.
    if (scale === 0) return { kind: 'fitted', coefficients, scale, weights };
    const next = leastSquares(rows, y, weights);
    if (next === undefined) return { kind: 'singular' };
    if (nearlyEqual(coefficients, next)) return { kind: 'fitted', coefficients: next, scale, weights };
    coefficients = next;
  }
  return { kind: 'not-converged' };
}

function residualsOf(
  rows: readonly (readonly number[])[],
  y: readonly number[],
  coefficients: readonly number[],
): number[] {
  return rows.map((row, i) => (y[i] ?? Number.NaN) - dot(row, coefficients));
}

function nearlyEqual(before: readonly number[], after: readonly number[]): boolean {
  return after.every((value, k) => Math.abs(value - (before[k] ?? 0)) <= TOLERANCE * (1 + Math.abs(value)));
}

/**
 * Weighted least squares by modified Gram-Schmidt on the columns, with y as the last one (Bjorck 1967: as
 * accurate as Householder's method). Undefined when a column depends on those before it.
 */
function leastSquares(
  rows: readonly (readonly number[])[],
  y: readonly number[],
  weights: readonly number[],
): number[] | undefined {
  const columnCount = rows[0]?.length ?? 0;
  const rootWeights = weights.map(Math.sqrt);
  const columns: number[][] = [];
  for (let k = 0; k < columnCount; k++)
    columns.push(rows.map((row, i) => (row[k] ?? 0) * (rootWeights[i] ?? 0)));
  const rest = y.map((value, i) => value * (rootWeights[i] ?? 0));

  // Orthogonalize; `upper[k]` is row k of R, its last entry that of y.
  const upper: number[][] = [];
  for (const [k, column] of columns.entries()) {
    const norm = Math.sqrt(dot(column, column));
    const originalNorm = Math.hypot(norm, ...upper.map((row) => row[k] ?? 0));
    if (norm <= 1e-12 * originalNorm) return undefined;
    const unit = column.map((value) => value / norm);
    const row: number[] = [];
    for (const [j, other] of [...columns, rest].entries()) {
      if (j < k) row.push(0);
      else if (j === k) row.push(norm);
      else {
        const projection = dot(unit, other);
        row.push(projection);
        for (const [i, value] of unit.entries()) other[i] = (other[i] ?? 0) - projection * value;
      }
    }
    upper.push(row);
  }

  const coefficients: number[] = new Array(columnCount).fill(0);
  for (let k = columnCount - 1; k >= 0; k--) {
    const row = upper[k] ?? [];
    let sum = row[columnCount] ?? 0;
    for (let j = k + 1; j < columnCount; j++) sum -= (row[j] ?? 0) * (coefficients[j] ?? 0);
    coefficients[k] = sum / (row[k] ?? Number.NaN);
  }
  return coefficients;
}

function dot(a: readonly number[], b: readonly number[]): number {
  let sum = 0;
  for (const [i, value] of a.entries()) sum += value * (b[i] ?? 0);
  return sum;
}
