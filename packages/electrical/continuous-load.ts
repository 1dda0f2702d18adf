/**
 * The continuous-load rule. NEC article 100: a load is continuous when its maximum current is expected to
 * continue for 3 hours or more. NEC 210.20(A): the branch overcurrent device is rated for no less than the
 * noncontinuous load plus 125 % of the continuous load; turned around, a continuous load may take 80 % of the
 * rating (unless the assembly is listed for 100 %).
 */

/** NEC article 100, s. */
export const CONTINUOUS_LOAD_S = 3 * 3600;

/** NEC 210.20(A). */
const CONTINUOUS_FACTOR = 1.25;

/** Highest continuous current that an overcurrent device of a rating may carry, A. */
export function continuousLimitA(ratedA: number): number {
  return ratedA / CONTINUOUS_FACTOR;
}

/** The same as power at a given voltage, W. */
export function continuousLimitW(ratedA: number, voltageV: number): number {
  return continuousLimitA(ratedA) * voltageV;
}

/** Least rating that NEC 210.20(A) allows for a mix of loads, A (not yet rounded up to a standard size). */
export function requiredRatingA(continuousA: number, noncontinuousA: number): number {
  return noncontinuousA + CONTINUOUS_FACTOR * continuousA;
}
