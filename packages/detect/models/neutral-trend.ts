// One value a day of the neutral's resistance: what it has been worth in its own history, and whether it climbs.

import { quantile, theilSen } from '@afterwatt/electrical';
import { z } from 'zod';

/** Days that are kept. */
const DAYS = 60;
/** A climb is looked for in so many days, at least so many, of which so large a share of pairs rises. */
const CLIMB_DAYS = 14;
const CLIMB_DAYS_LEAST = 6;
const CLIMB_PAIRS = 0.8;
/** It has to come to this share of the limit, and to this multiple of where it began (at least so much, ohm). */
const CLIMB_SHARE = 0.7;
const CLIMB_MULTIPLE = 2;
const CLIMB_FROM_OHM = 0.02;

/** Days since the Unix epoch (UTC), and the neutral's resistance on that day, ohm. */
export const dayOhmSchema = z.object({ day: z.number(), ohm: z.number() });
export type DayOhm = z.infer<typeof dayOhmSchema>;

/** Adds the newest day, in place; the oldest leaves when there are too many. */
export function addDay(days: DayOhm[], day: number, ohm: number): void {
  if (days.length === DAYS) days.shift();
  days.push({ day, ohm });
}

/**
 * What a sound neutral has been worth at this site, ohm: the lower quartile of its days, so that a climb does
 * not excuse itself; null without a day.
 * @param looseOhm a day at or above it was not sound and does not count
 */
export function historyOhm(days: readonly DayOhm[], looseOhm: number): number | null {
  const sound = days.filter(({ ohm }) => ohm < looseOhm).map(({ ohm }) => ohm);
  sound.sort((a, b) => a - b);
  return sound.length === 0 ? null : quantile(sound, 0.25);
}

/**
 * Most pairs of the last days rise (Kendall), and their Theil-Sen line has come far up from where it began.
 * @param climbOhm the resistance at which a climb matters, ohm
 */
export function isClimbing(days: readonly DayOhm[], climbOhm: number): boolean {
  const last = days.slice(-CLIMB_DAYS);
  const first = last[0];
  if (first === undefined || last.length < CLIMB_DAYS_LEAST) return false;
  let rising = 0;
  let pairs = 0;
  for (let i = 0; i < last.length; i++) {
    for (let j = 0; j < i; j++) {
      pairs += 1;
      if ((last[i]?.ohm ?? 0) > (last[j]?.ohm ?? 0)) rising += 1;
    }
  }
  if (rising < CLIMB_PAIRS * pairs) return false;
  const line = theilSen(
    last.map(({ day }) => day - first.day),
    last.map(({ ohm }) => ohm),
  );
  if (line === undefined) return false;
  const spanDays = (last.at(-1)?.day ?? first.day) - first.day;
  const toOhm = line.intercept + line.slope * spanDays;
  return toOhm > CLIMB_SHARE * climbOhm && toOhm > CLIMB_MULTIPLE * Math.max(CLIMB_FROM_OHM, line.intercept);
}
