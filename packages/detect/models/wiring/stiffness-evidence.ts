// Both legs are fed alike, so the same current pulls both voltages down alike. A clamp that shows half of what
// its leg carries, or double, makes its leg look half or twice as stiff as the other. Only the usual ratios of
// CTs are asked for: a bad connection in one leg makes it look softer too, but hardly twice as soft.

import { type ClampPair, learnJointly, medianOf, USUAL_RATIOS } from './clamp-pair.ts';

/** Loads remembered on each leg for its usual slope, and how many make one. */
export const SLOPES = 5;
const KNOWN_SLOPES = 3;

/** Spread of ln(slope of one leg / slope of the other) between like clamps: conductors, power factors. */
const LIKE_LEGS_SPREAD = 0.2;
const OUTLIER_SHARE = 0.05;
/** Loads of one appliance share their errors. */
const WEIGHT = 0.4;

/**
 * Judges the service pair by a load on one leg alone.
 * @param ratio voltage over current of this load, by its channel, over what is usual on the other leg
 */
export function learnFromStiffness(pair: ClampPair, channel: number, ratio: number, at: number): void {
  const alike = Math.log(density(ratio));
  const ownOther = Math.log(meanDensity(USUAL_RATIOS.map((gain) => ratio * gain)));
  const theirsOther = Math.log(meanDensity(USUAL_RATIOS.map((gain) => ratio / gain)));
  learnJointly(pair, 'voltage', at, WEIGHT, [], ({ clamps }) => {
    const [own, theirs] = [clamps[channel], clamps[1 - channel]];
    if (own === theirs || own === 'dead' || theirs === 'dead') return alike;
    if (own === 'ratio') return ownOther;
    return theirs === 'ratio' ? theirsOther : alike;
  });
}

/** What a leg's voltage usually answers to its current with, ohm; null before a few loads were seen on it. */
export function usualOhm(slopesOhm: readonly number[]): number | null {
  return slopesOhm.length < KNOWN_SLOPES ? null : (medianOf(slopesOhm) ?? null);
}

function meanDensity(ratios: readonly number[]): number {
  return ratios.reduce((sum, ratio) => sum + density(ratio), 0) / ratios.length;
}

/** Density of a ratio that should be 1, relative to its peak. */
function density(ratio: number): number {
  const z = Math.log(Math.max(ratio, 1e-3)) / LIKE_LEGS_SPREAD;
  return (1 - OUTLIER_SHARE) / (1 + (z * z) / 3) ** 2 + OUTLIER_SHARE / 4;
}
