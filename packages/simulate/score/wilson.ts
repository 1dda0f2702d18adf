/** Bounds of a share, 0 to 1. */
export interface Interval {
  readonly low: number;
  readonly high: number;
}

/** Two-sided 95 % of the normal distribution. */
const Z = 1.959964;

/**
 * The 95 % confidence interval of a share (Wilson 1927; NIST/SEMATECH e-Handbook 7.2.4.1 recommends it for small
 * counts and shares near 0 or 1).
 * @returns null when nothing was counted
 */
export function wilsonInterval(hits: number, count: number): Interval | null {
  if (count === 0) return null;
  const share = hits / count;
  const middle = share + Z ** 2 / (2 * count);
  const half = Z * Math.sqrt((share * (1 - share)) / count + Z ** 2 / (4 * count ** 2));
  const scale = 1 + Z ** 2 / count;
  return { low: Math.max(0, (middle - half) / scale), high: Math.min(1, (middle + half) / scale) };
}
