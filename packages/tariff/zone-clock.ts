import { Temporal } from 'temporal-polyfill';

/**
 * The wall clock of one IANA time zone. "Wall time" below is what that clock shows, counted in milliseconds
 * from 1970-01-01T00:00 on the same clock, so that it can be added to and divided without a calendar.
 */
export type ZoneClock = {
  timeZone: string;
  /** What the clock shows at an instant. */
  wallMs(atMs: number): number;
  /**
   * The first instant at which the clock shows this wall time or a later one: in the repeated hour of autumn
   * the first occurrence (Temporal's disambiguation 'earlier'); in the skipped hour of spring the end of the gap.
   */
  firstInstant(wallMs: number): number;
  /** Days since 1970-01-01 of the local day an instant belongs to: the last one that has begun by then. */
  dayNumber(atMs: number): number;
  /** The instant at which a local day begins, by its day number. */
  dayStart(dayNumber: number): number;
  /** The instant at which the local day of an instant began: 00:00, or the end of a gap that skips 00:00. */
  localDayStart(atMs: number): number;
  /** Hour of the local week at an instant: 0 = Monday 00:00 to 01:00, 167 = Sunday 23:00 to 24:00. */
  hourOfWeek(atMs: number): number;
};

/** From fromMs (included) until untilMs (not included) the zone's clock is offsetMs ahead of UTC. */
type OffsetSegment = { fromMs: number; untilMs: number; offsetMs: number };

export const MINUTE_MS = 60_000;
export const DAY_MS = 86_400_000;
const HOUR_MS = 3_600_000;
/** 1970-01-01 was a Thursday, three days into its week. */
const HOURS_FROM_MONDAY_TO_EPOCH = 72;
/** No zone has ever been further from UTC than 15:14 (Alaska before 1867; tz database). */
const MAX_OFFSET_MS = 16 * HOUR_MS;

// A zone's transitions are facts, the same for every site in it, and Temporal takes about a millisecond to find
// one: so there is one clock a zone. It grows by one small segment for each half year it was asked about.
const clocks = new Map<string, ZoneClock>();

/**
 * The wall clock of a zone. After the first call near a transition each answer is integer arithmetic.
 * @param timeZone IANA name, such as America/Denver
 * @throws RangeError when there is no such zone: sites are checked before they come here
 */
export function zoneClock(timeZone: string): ZoneClock {
  const known = clocks.get(timeZone);
  if (known !== undefined) return known;
  const clock = createZoneClock(timeZone);
  clocks.set(timeZone, clock);
  return clock;
}

function createZoneClock(timeZone: string): ZoneClock {
  let current = readSegment(timeZone, 0);
  const segments = [current];

  function segmentAt(atMs: number): OffsetSegment {
    if (atMs >= current.fromMs && atMs < current.untilMs) return current;
    let segment = segments.find((s) => atMs >= s.fromMs && atMs < s.untilMs);
    if (segment === undefined) {
      segment = readSegment(timeZone, atMs);
      segments.push(segment);
    }
    current = segment;
    return segment;
  }

  function wallMs(atMs: number): number {
    return atMs + segmentAt(atMs).offsetMs;
  }

  function firstInstant(wall: number): number {
    let segment = segmentAt(wall - MAX_OFFSET_MS);
    for (;;) {
      const instant = Math.max(segment.fromMs, wall - segment.offsetMs);
      if (instant < segment.untilMs) return instant;
      segment = segmentAt(segment.untilMs);
    }
  }

  const dayStart = (dayNumber: number): number => firstInstant(dayNumber * DAY_MS);

  function dayNumber(atMs: number): number {
    const shown = Math.floor(wallMs(atMs) / DAY_MS);
    // A clock put back over midnight shows the old date once more, in a day that has already begun.
    return dayStart(shown + 1) <= atMs ? shown + 1 : shown;
  }

  return {
    timeZone,
    wallMs,
    firstInstant,
    dayNumber,
    dayStart,
    localDayStart: (atMs) => dayStart(dayNumber(atMs)),
    hourOfWeek(atMs) {
      const hours = Math.floor(wallMs(atMs) / HOUR_MS) + HOURS_FROM_MONDAY_TO_EPOCH;
      return ((hours % 168) + 168) % 168;
    },
  };
}

function readSegment(timeZone: string, atMs: number): OffsetSegment {
  const at = Temporal.Instant.fromEpochMilliseconds(Math.floor(atMs)).toZonedDateTimeISO(timeZone);
  const next = at.getTimeZoneTransition('next');
  // 'previous' looks strictly before: a segment that begins at this very instant must find its own beginning.
  const previous = at.add({ milliseconds: 1 }).getTimeZoneTransition('previous');
  return {
    fromMs: previous?.epochMilliseconds ?? Number.NEGATIVE_INFINITY,
    untilMs: next?.epochMilliseconds ?? Number.POSITIVE_INFINITY,
    offsetMs: at.offsetNanoseconds / 1e6,
  };
}
