const DAY_MS = 86_400_000;

/**
 * A smooth random function of time: knots that are drawn day by day (UTC), straight lines between them. Since a
 * day's knots depend on nothing but the day, it has the same value at an instant from wherever one comes.
 *
 * @param knotsADay how many values `valuesOf` gives for each day, evenly spread, the first at its midnight
 */
export function dayValues(
  knotsADay: number,
  valuesOf: (day: number) => readonly number[],
): (atMs: number) => number {
  const knotMs = DAY_MS / knotsADay;
  let cachedDay = Number.NaN;
  let today: readonly number[] = [];
  let tomorrowFirst = 0;

  return (atMs) => {
    const day = Math.floor(atMs / DAY_MS);
    if (day !== cachedDay) {
      today = valuesOf(day);
      tomorrowFirst = valuesOf(day + 1)[0] ?? 0;
      cachedDay = day;
    }
    const position = (atMs - day * DAY_MS) / knotMs;
    const index = Math.floor(position);
    const from = today[index] ?? 0;
    const to = today[index + 1] ?? tomorrowFirst;
    return from + (position - index) * (to - from);
  };
}
