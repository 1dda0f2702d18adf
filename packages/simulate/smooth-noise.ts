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
  const knotsAMs = knotsADay / DAY_MS;
  /** Today's, and tomorrow's first. */
  const knots = new Float64Array(knotsADay + 1);
  let startMs = Number.NaN;

  function goTo(day: number): void {
    startMs = day * DAY_MS;
    knots.set(valuesOf(day));
    knots[knotsADay] = valuesOf(day + 1)[0] ?? 0;
  }

  return (atMs) => {
    if (!(atMs >= startMs && atMs < startMs + DAY_MS)) goTo(Math.floor(atMs / DAY_MS));
    const position = (atMs - startMs) * knotsAMs;
    const index = Math.floor(position);
    const from = knots[index] ?? 0;
    const to = knots[index + 1] ?? from;
    return from + (position - index) * (to - from);
  };
}
