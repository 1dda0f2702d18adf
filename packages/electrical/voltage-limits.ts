/**
 * Service voltage: the ranges of ANSI C84.1 and how rms readings are aggregated for comparing with them.
 */

export interface ServiceVoltageLimits {
  rangeAMinV: number;
  rangeAMaxV: number;
  rangeBMinV: number;
  rangeBMaxV: number;
}

/**
 * ANSI C84.1 service voltage on a 120 V base: range A 114..126 (a system should be there), range B 110..127
 * (limited in extent, frequency and duration, and corrected within a reasonable time; from memory). Outside B,
 * prompt corrective action. The limits are for sustained voltage, not for transients.
 */
const BASE_V = 120;
const SERVICE_LIMITS: ServiceVoltageLimits = {
  rangeAMinV: 114,
  rangeAMaxV: 126,
  rangeBMinV: 110,
  rangeBMaxV: 127,
};

export type ServiceVoltageRange = 'A' | 'B' | 'outside';

/** The limits at another nominal voltage, V: 120 for a leg, 240 between legs. */
export function serviceVoltageLimits(nominalV: number): ServiceVoltageLimits {
  return {
    rangeAMinV: (SERVICE_LIMITS.rangeAMinV * nominalV) / BASE_V,
    rangeAMaxV: (SERVICE_LIMITS.rangeAMaxV * nominalV) / BASE_V,
    rangeBMinV: (SERVICE_LIMITS.rangeBMinV * nominalV) / BASE_V,
    rangeBMaxV: (SERVICE_LIMITS.rangeBMaxV * nominalV) / BASE_V,
  };
}

/**
 * The narrowest ANSI C84.1 range that holds a service voltage; the limits themselves belong to their range.
 *
 * @param rmsV sustained voltage, V: an aggregate over minutes, not a single reading
 * @param nominalV V, above 0
 */
export function serviceVoltageRange(rmsV: number, nominalV: number): ServiceVoltageRange {
  const onBaseV = (rmsV * BASE_V) / nominalV;
  if (onBaseV >= SERVICE_LIMITS.rangeAMinV && onBaseV <= SERVICE_LIMITS.rangeAMaxV) return 'A';
  if (onBaseV >= SERVICE_LIMITS.rangeBMinV && onBaseV <= SERVICE_LIMITS.rangeBMaxV) return 'B';
  return 'outside';
}

/** Plain data; start from `{ squareVS: 0, durationS: 0 }`. */
export interface RmsAggregate {
  /** Sum of squared rms values times their duration, V^2 s. */
  squareVS: number;
  durationS: number;
}

/**
 * Adds one rms reading that stands for `durationS` seconds, in place. IEC 61000-4-30 aggregates by the square
 * root of the mean of the squared inputs, never by the mean of volts; weighing by duration is the same where
 * readings are evenly spaced.
 */
export function addRms(state: RmsAggregate, rmsV: number, durationS: number): void {
  state.squareVS += rmsV * rmsV * durationS;
  state.durationS += durationS;
}

/** The aggregate, V; undefined while nothing has been added. */
export function aggregatedRmsV(state: RmsAggregate): number | undefined {
  return state.durationS > 0 ? Math.sqrt(state.squareVS / state.durationS) : undefined;
}
