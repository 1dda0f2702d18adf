/** Exponentially weighted moving average and its control limits (NIST/SEMATECH e-Handbook 6.3.2.4). */

/** The average after one more value: weight times the value plus the rest of the average before. */
export function ewma(average: number, value: number, weight: number): number {
  return average + weight * (value - average);
}

export interface ControlLimits {
  lower: number;
  upper: number;
}

/**
 * Limits within which the average of a process on target stays:
 * target +- width sigma sqrt(weight / (2 - weight)).
 *
 * @param sigma standard deviation of single values
 * @param weight of the newest value, above 0, up to 1
 * @param widthSigmas 3 by custom
 */
export function ewmaLimits(target: number, sigma: number, weight: number, widthSigmas = 3): ControlLimits {
  const half = widthSigmas * sigma * Math.sqrt(weight / (2 - weight));
  return { lower: target - half, upper: target + half };
}
