/** Two-sided tabular cumulative sum (NIST/SEMATECH e-Handbook 6.3.2.3): finds a small lasting shift of a mean. */

/** Plain data; start from `{ high: 0, low: 0 }`. */
export interface Cusum {
  /** Summed excess above, and below, the target, in the unit of the values; both 0 and up. */
  high: number;
  low: number;
}

export type CusumSignal = 'high' | 'low' | 'none';

/**
 * Takes one deviation in, in place. After a signal the sums run on; set both to 0 to start again.
 *
 * @param deviation value less target
 * @param allowance k: half the shift to be found, 0 and up
 * @param decisionInterval h: sum above which a shift is signalled
 */
export function advanceCusum(
  state: Cusum,
  deviation: number,
  allowance: number,
  decisionInterval: number,
): CusumSignal {
  state.high = Math.max(0, state.high + deviation - allowance);
  state.low = Math.max(0, state.low - deviation - allowance);
  if (state.high > decisionInterval) return 'high';
  if (state.low > decisionInterval) return 'low';
  return 'none';
}
