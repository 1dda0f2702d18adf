import { HUBER_TUNING } from './huber-regression.ts';
import { MAD_TO_SIGMA, median } from './quantile.ts';

/**
 * A robust slope of differences, kept up with every reading at constant cost and on constant state.
 *
 * It follows dV/dI of a service or of a branch circuit: steps of current dx, steps of voltage dy, dy = slope dx
 * through the origin. Differences remove what drifts slowly (source voltage, instrument offset).
 * - The first eight steps are kept: their least absolute deviation slope and the median size of what it leaves
 *   begin the tracker, so that up to three of them may be wrong.
 * - From then on, weighted least squares: past steps are forgotten exponentially, residuals beyond 1.345
 *   scales are weighed down (Huber), the scale follows the residuals (Huber's Proposal 2, made recursive).
 * - Weighing down would also hold off a slope that has really changed, so when residuals keep pointing the
 *   same way for about sixteen steps, the tracker begins anew.
 */

export interface SlopeTrackerSettings {
  /** Steps after which a step counts 1/e, 2 and up. */
  memorySteps: number;
  /** Smaller steps of x are passed over: they carry noise, which would pull the slope toward nought. */
  minStepX: number;
  /** Least scale of a residual, in the unit of y, above 0: the resolution of the readings. */
  leastScaleY: number;
}

/** Plain data, from `createSlopeTracker`. */
export interface SlopeTracker {
  /** Unit of y over unit of x; meaningful once `effectiveCount` is above 0. */
  slope: number;
  /** Standard error of the slope, same unit; the largest number there is while the tracker begins. */
  standardError: number;
  /** How many equally weighted steps the slope rests on; 0 while the tracker begins. */
  effectiveCount: number;
  /** Standard deviation of the residuals, unit of y. */
  scale: number;
  /** How often the slope has changed so much that the tracker began anew. */
  restarts: number;

  /** The first steps, until there are enough of them. */
  firstX: number[];
  firstY: number[];
  /** Forgetting sums over steps with weight w: w x^2, w x y, (w x)^2, w, w^2. */
  sumXX: number;
  sumXY: number;
  sumWeightedXX: number;
  sumWeight: number;
  sumSquaredWeight: number;
  /** Steps taken in since the beginning, up to the memory. */
  stepCount: number;
  /** Mean direction of the last residuals, -1..1: which way the slope would have to turn. */
  direction: number;
}

const FIRST_STEPS = 8;
/** E min(Z^2, k^2) of a standard normal Z at k = 1.345, which makes the scale right for normal noise. */
const HUBER_CONSISTENCY = 0.7102;
/**
 * Memory of the mean direction, steps, and where it means a changed slope. Of a right slope it has a standard
 * deviation of 0.13 (0.15 with every fifth step an outlier), so 0.75 is beyond five of them.
 */
const DIRECTION_STEPS = 12;
const DIRECTION_LIMIT = 0.75;

export function createSlopeTracker(): SlopeTracker {
  return {
    slope: 0,
    standardError: Number.MAX_VALUE,
    effectiveCount: 0,
    scale: 0,
    restarts: 0,
    firstX: [],
    firstY: [],
    sumXX: 0,
    sumXY: 0,
    sumWeightedXX: 0,
    sumWeight: 0,
    sumSquaredWeight: 0,
    stepCount: 0,
    direction: 0,
  };
}

/** Takes one pair of differences in, in place. */
export function advanceSlopeTracker(
  state: SlopeTracker,
  settings: SlopeTrackerSettings,
  dx: number,
  dy: number,
): void {
  if (!(Math.abs(dx) >= settings.minStepX)) return;
  if (state.stepCount === 0) {
    state.firstX.push(dx);
    state.firstY.push(dy);
    if (state.firstX.length === FIRST_STEPS) begin(state, settings);
    return;
  }

  const limit = HUBER_TUNING * state.scale;
  const residual = dy - state.slope * dx;
  const clipped = Math.max(-limit, Math.min(limit, residual));

  state.direction += ((clipped / limit) * Math.sign(dx) - state.direction) / DIRECTION_STEPS;
  if (Math.abs(state.direction) > DIRECTION_LIMIT) {
    beginAnew(state);
    return;
  }

  const share = Math.max(1 / state.stepCount, 1 / settings.memorySteps);
  const variance = state.scale * state.scale;
  const nextVariance = variance + share * ((clipped * clipped) / HUBER_CONSISTENCY - variance);
  state.scale = Math.max(settings.leastScaleY, Math.sqrt(nextVariance));
  addStep(state, settings, dx, dy, residual === 0 ? 1 : clipped / residual);
}

function addStep(
  state: SlopeTracker,
  settings: SlopeTrackerSettings,
  dx: number,
  dy: number,
  weight: number,
): void {
  const keep = 1 - 1 / settings.memorySteps;
  const weightedX = weight * dx;
  state.sumXX = keep * state.sumXX + weightedX * dx;
  state.sumXY = keep * state.sumXY + weightedX * dy;
  state.sumWeightedXX = keep * keep * state.sumWeightedXX + weightedX * weightedX;
  state.sumWeight = keep * state.sumWeight + weight;
  state.sumSquaredWeight = keep * keep * state.sumSquaredWeight + weight * weight;
  state.stepCount = Math.min(state.stepCount + 1, settings.memorySteps);
  state.slope = state.sumXY / state.sumXX;
  state.standardError = (state.scale * Math.sqrt(state.sumWeightedXX)) / state.sumXX;
  state.effectiveCount = (state.sumWeight * state.sumWeight) / state.sumSquaredWeight;
}

/** Slope and scale from the first steps, which are then taken in with their weights. */
function begin(state: SlopeTracker, settings: SlopeTrackerSettings): void {
  const { firstX, firstY } = state;
  const slope = leastAbsoluteDeviationSlope(firstX, firstY);
  const residuals = firstX.map((dx, i) => (firstY[i] ?? 0) - slope * dx);
  // The slope goes through one of the points; its residual of nought says nothing about the scale.
  const deviations = residuals.map(Math.abs).sort((a, b) => a - b);
  state.scale = Math.max(settings.leastScaleY, MAD_TO_SIGMA * median(deviations.slice(1)));
  const limit = HUBER_TUNING * state.scale;
  residuals.forEach((residual, i) => {
    const weight = Math.min(1, limit / Math.abs(residual));
    addStep(state, settings, firstX[i] ?? 0, firstY[i] ?? 0, weight);
  });
  state.firstX = [];
  state.firstY = [];
}

function beginAnew(state: SlopeTracker): void {
  const restarts = state.restarts + 1;
  Object.assign(state, createSlopeTracker(), { restarts });
}

/** The slope through the origin that leaves the least sum of |residual|: the median of y/x weighted by |x|. */
function leastAbsoluteDeviationSlope(x: readonly number[], y: readonly number[]): number {
  const ratios = x.map((dx, i) => ({ ratio: (y[i] ?? 0) / dx, weight: Math.abs(dx) }));
  ratios.sort((a, b) => a.ratio - b.ratio);
  let above = ratios.reduce((sum, { weight }) => sum + weight, 0) / 2;
  for (const { ratio, weight } of ratios) {
    above -= weight;
    if (above <= 0) return ratio;
  }
  throw new RangeError('no steps to begin with');
}
