/**
 * Sequential tests: evidence is added up, as logarithms of likelihoods, until it suffices for a decision with
 * stated error rates (Wald, Sequential Analysis, 1947).
 */

export interface WaldThresholds {
  /** Decide for the alternative at or above this log likelihood ratio. */
  upper: number;
  /** Decide for the null hypothesis at or below this one. */
  lower: number;
}

/**
 * Wald's thresholds, ln((1 - beta) / alpha) and ln(beta / (1 - alpha)). The true error rates a and b then
 * satisfy a <= alpha / (1 - beta), b <= beta / (1 - alpha) and a + b <= alpha + beta.
 *
 * @param alpha wanted rate of deciding for the alternative when the null hypothesis holds, above 0
 * @param beta wanted rate of the opposite error, above 0; alpha + beta below 1
 */
export function waldThresholds(alpha: number, beta: number): WaldThresholds {
  return { upper: Math.log((1 - beta) / alpha), lower: Math.log(beta / (1 - alpha)) };
}

export type SequentialDecision = 'null' | 'alternative' | 'continue';

/** What a summed log likelihood ratio (alternative over null) decides. */
export function decideSequentially(logRatio: number, thresholds: WaldThresholds): SequentialDecision {
  if (logRatio >= thresholds.upper) return 'alternative';
  if (logRatio <= thresholds.lower) return 'null';
  return 'continue';
}

/** Evidence among several hypotheses; plain data, from `createHypothesisTest`. */
export interface HypothesisTest {
  /** Logarithm of each hypothesis's posterior probability. */
  logPosteriors: number[];
}

/**
 * Logarithm below which no posterior falls. Without it, a fault that comes after a year of clean evidence
 * would need a year to be believed; with it, the test is Page's (1954): a sequential test that starts again
 * from its boundary.
 */
const LOG_POSTERIOR_FLOOR = Math.log(1e-12);

/** @param priors probabilities before any evidence, above 0; they are scaled to sum to 1 */
export function createHypothesisTest(priors: readonly number[]): HypothesisTest {
  const sum = priors.reduce((total, prior) => total + prior, 0);
  return { logPosteriors: priors.map((prior) => Math.log(prior / sum)) };
}

/**
 * Adds one observation by Bayes' rule, in place.
 *
 * @param logLikelihoods of the observation under each hypothesis, in the order of the priors; a constant common
 *   to all may be left out
 */
export function advanceHypotheses(state: HypothesisTest, logLikelihoods: ArrayLike<number>): void {
  const { logPosteriors } = state;
  let highest = -Infinity;
  for (let k = 0; k < logPosteriors.length; k++) {
    const joint = (logPosteriors[k] ?? 0) + (logLikelihoods[k] ?? 0);
    logPosteriors[k] = joint;
    if (joint > highest) highest = joint;
  }
  let sum = 0;
  for (let k = 0; k < logPosteriors.length; k++) sum += Math.exp((logPosteriors[k] ?? 0) - highest);
  const logSum = highest + Math.log(sum);
  for (let k = 0; k < logPosteriors.length; k++) {
    logPosteriors[k] = Math.max(LOG_POSTERIOR_FLOOR, (logPosteriors[k] ?? 0) - logSum);
  }
}

/** Posterior probability of one hypothesis, 0..1. */
export function posteriorOf(state: HypothesisTest, index: number): number {
  const logPosterior = state.logPosteriors[index];
  if (logPosterior === undefined) throw new RangeError(`no hypothesis ${index}`);
  return Math.exp(logPosterior);
}

/** Index of the hypothesis with the highest posterior. */
export function likeliestHypothesis(state: HypothesisTest): number {
  let best = 0;
  for (let k = 1; k < state.logPosteriors.length; k++) {
    if ((state.logPosteriors[k] ?? -Infinity) > (state.logPosteriors[best] ?? -Infinity)) best = k;
  }
  return best;
}

/**
 * The hypothesis whose posterior has reached 1 - errorRate, or undefined while none has. Whatever is decided so
 * is wrong with at most that probability, given the priors (the multi-hypothesis test of Baum and Veeravalli,
 * 1994).
 */
export function decideHypothesis(state: HypothesisTest, errorRate: number): number | undefined {
  const best = likeliestHypothesis(state);
  return posteriorOf(state, best) >= 1 - errorRate ? best : undefined;
}
