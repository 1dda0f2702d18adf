// One value a day of a resistance: what it has been in its own history, and whether it climbs.

import { quantile, theilSen } from '@afterwatt/electrical';
import { z } from 'zod';

/** A climb is looked for in so many days, at least so many, of which so large a share of pairs rises. */
const CLIMB_DAYS = 14;
const CLIMB_DAYS_LEAST = 6;
const CLIMB_PAIRS = 0.8;
/** It has to come to this share of the limit, and to this multiple of where it began (at least so much, ohm). */
const CLIMB_SHARE = 0.7;
const CLIMB_MULTIPLE = 2;
const CLIMB_FROM_OHM = 0.02;

/** Ohm by day, the newest last and null for a day without a value: short in a checkpoint. */
export const dailyOhmsSchema = z.object({
  /** Day of the last value, days since the Unix epoch (UTC). */
  endDay: z.number(),
  ohms: z.array(z.number().nullable()),
});
export type DailyOhms = z.infer<typeof dailyOhmsSchema>;

export interface DayOhm {
  readonly day: number;
  readonly ohm: number;
}

export function startDailyOhms(): DailyOhms {
  return { endDay: 0, ohms: [] };
}

/**
 * Sets the value of a day, in place: the newest one's again, or a new one's.
 * @param keepDays days that are kept
 */
export function setDay(daily: DailyOhms, day: number, ohm: number, keepDays: number): void {
  const value = Math.round(1000 * ohm) / 1000;
  if (day < daily.endDay) return;
  if (day === daily.endDay && daily.ohms.length > 0) {
    daily.ohms[daily.ohms.length - 1] = value;
    return;
  }
  const gap = daily.ohms.length === 0 ? 0 : Math.min(keepDays, day - daily.endDay - 1);
  for (let i = 0; i < gap; i++) daily.ohms.push(null);
  daily.ohms.push(value);
  daily.ohms.splice(0, daily.ohms.length - keepDays);
  daily.endDay = day;
}

/** The days that have a value, oldest first. */
export function daysOf({ endDay, ohms }: DailyOhms): DayOhm[] {
  const days: DayOhm[] = [];
  ohms.forEach((ohm, i) => {
    if (ohm !== null) days.push({ day: endDay - ohms.length + 1 + i, ohm });
  });
  return days;
}

/**
 * What a sound connection has been worth at this site, ohm: the lower quartile of its days, so that a climb does
 * not excuse itself; null without a day.
 * @param looseOhm a day at or above it was not sound and does not count
 */
export function historyOhm({ ohms }: DailyOhms, looseOhm: number): number | null {
  const sound: number[] = [];
  for (const ohm of ohms) if (ohm !== null && ohm < looseOhm) sound.push(ohm);
  sound.sort((a, b) => a - b);
  return sound.length === 0 ? null : quantile(sound, 0.25);
}

/**
 * Most pairs of the last days rise (Kendall), and their Theil-Sen line has come far up from where it began.
 * @param climbOhm the resistance at which a climb matters, ohm
 */
export function isClimbing(daily: DailyOhms, climbOhm: number): boolean {
  const last = daysOf(daily).slice(-CLIMB_DAYS);
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
