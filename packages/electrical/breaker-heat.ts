/**
 * How near a branch breaker is to the latest moment at which UL 489 requires it to trip.
 *
 * UL 489 holds a molded-case breaker to three points: at 100 % of its rating it must hold; at 135 % it trips
 * within 1 h; at 200 % within 2 min (ratings up to 30 A). Between 100 and 135 % it need never trip, so only
 * a measurement sees such a load. Overload uses up the published time; a lighter load lets the breaker cool.
 *
 * Between the points this file interpolates on a straight line in log-log scale (as trip curves are drawn),
 * above 200 % along constant I^2 t (adiabatic heating): both are choices of ours, not of UL 489, and both are
 * late rather than early, since every published point is an upper bound.
 */

/** Lowest multiple of its rating at which a breaker must trip at all. */
export const MUST_TRIP_MULTIPLE = 1.35;
const FAST_MULTIPLE = 2;

interface TripBounds {
  at135PctS: number;
  at200PctS: number;
  /** Of the first-order model that meets both, s. */
  timeConstantS: number;
}

/** UL 489 calibration limits by rating; 200 % above 30 A and 135 % above 50 A from memory. */
const UP_TO_30_A: TripBounds = tripBoundsOf(3600, 120);
const UP_TO_50_A: TripBounds = tripBoundsOf(3600, 240);
const UP_TO_100_A: TripBounds = tripBoundsOf(7200, 360);

/** Plain data; start from `{ usedFraction: 0 }`. */
export interface BreakerHeat {
  /** Share of the latest trip time used up, 0..1. */
  usedFraction: number;
}

/**
 * The latest time at which a breaker that starts cold trips at a constant current.
 *
 * @param multiple current over rating, 0 and up
 * @param ratedA breaker rating, A, above 0, up to 100
 * @returns s; Infinity below 135 %, where no trip is required
 * @throws RangeError for a rating outside the table
 */
export function latestTripS(multiple: number, ratedA: number): number {
  if (multiple < MUST_TRIP_MULTIPLE) return Infinity;
  const { at135PctS, at200PctS } = tripBounds(ratedA);
  if (multiple >= FAST_MULTIPLE) return at200PctS * (FAST_MULTIPLE / multiple) ** 2;
  const slope = Math.log(at135PctS / at200PctS) / Math.log(FAST_MULTIPLE / MUST_TRIP_MULTIPLE);
  return at135PctS * (MUST_TRIP_MULTIPLE / multiple) ** slope;
}

/**
 * Takes the current of the last `dtS` seconds into the account, in place.
 *
 * At 135 % and above, the used fraction grows by dt over the latest trip time at that current. Below, it falls
 * exponentially, the slower the nearer to 135 %. The time constant is that of the first-order thermal model
 * which meets both published points: it settles at 135 % and reaches that heat at 200 % in the published time,
 * tau = t200 / ln(2^2 / (2^2 - 1.35^2)), 197 s up to 30 A.
 *
 * @param currentA rms current, A; the sign is ignored
 * @param ratedA breaker rating, A, above 0, up to 100
 * @param dtS time that the current has flowed, s, 0 and up
 * @returns the used fraction, 0..1; 1 means that a breaker within its standard has tripped by now
 * @throws RangeError for a rating outside the table
 */
export function advanceBreakerHeat(
  state: BreakerHeat,
  currentA: number,
  ratedA: number,
  dtS: number,
): number {
  const multiple = Math.abs(currentA) / ratedA;
  if (multiple >= MUST_TRIP_MULTIPLE) {
    state.usedFraction = Math.min(1, state.usedFraction + dtS / latestTripS(multiple, ratedA));
  } else if (state.usedFraction > 0) {
    const coolingShare = 1 - (multiple / MUST_TRIP_MULTIPLE) ** 2;
    state.usedFraction *= Math.exp((-dtS * coolingShare) / tripBounds(ratedA).timeConstantS);
  }
  return state.usedFraction;
}

function tripBounds(ratedA: number): TripBounds {
  if (ratedA <= 30) return UP_TO_30_A;
  if (ratedA <= 50) return UP_TO_50_A;
  if (ratedA <= 100) return UP_TO_100_A;
  throw new RangeError(`no UL 489 trip bounds for a breaker of ${ratedA} A`);
}

function tripBoundsOf(at135PctS: number, at200PctS: number): TripBounds {
  const fastSq = FAST_MULTIPLE ** 2;
  const timeConstantS = at200PctS / Math.log(fastSq / (fastSq - MUST_TRIP_MULTIPLE ** 2));
  return { at135PctS, at200PctS, timeConstantS };
}
