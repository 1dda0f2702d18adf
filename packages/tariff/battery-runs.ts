/** A stretch of charging or discharging, in bins: [begin, end). */
export type Run = {
  charging: boolean;
  begin: number;
  end: number;
  /** Whether one of the two bins before it is known, so that it is known to begin there or just before. */
  beginSeen: boolean;
};

/** Power below this part of what the battery does in that direction when it is at it is standby or a partial bin. */
const ACTIVE_FRACTION = 0.05;
/** ... and below this it is standby in any case, W (common practice: inverters idle at 10 to 30 W). */
export const STANDBY_W = 40;
/** A lull this short does not end a run: the house asked for little, the cells were balanced, or readings are missing. */
const MAX_LULL_BINS = 4;

/**
 * The stretches in which a battery charged or discharged.
 * @param powerW mean power of each bin, W, positive = charging; null = not known
 */
export function batteryRuns(powerW: readonly (number | null)[]): Run[] {
  const charging = runsOf(powerW, true);
  const discharging = runsOf(powerW, false);
  return [...charging, ...discharging].sort((a, b) => a.begin - b.begin);
}

function runsOf(powerW: readonly (number | null)[], charging: boolean): Run[] {
  const inDirectionW = powerW.map((p) => (p === null ? null : charging ? p : -p));
  const thresholdW = activeThresholdW(inDirectionW);
  const runs: Run[] = [];
  for (const [bin, p] of inDirectionW.entries()) {
    if (p === null || p < thresholdW) continue;
    const last = runs.at(-1);
    const lull = last === undefined ? [] : inDirectionW.slice(last.end, bin);
    if (
      last !== undefined &&
      lull.length <= MAX_LULL_BINS &&
      lull.every((q) => q === null || q > -thresholdW)
    ) {
      last.end = bin + 1;
    } else {
      const beginSeen = isKnown(inDirectionW, bin - 2, bin);
      runs.push({ charging, begin: bin, end: bin + 1, beginSeen });
    }
  }
  return runs;
}

/** Whether any bin from `from` (included) to `to` (not included) is known. */
function isKnown(powerW: readonly (number | null)[], from: number, to: number): boolean {
  return powerW.slice(Math.max(0, from), Math.max(0, to)).some((p) => p !== null);
}

/** A twentieth of the upper quartile of what is above standby. */
function activeThresholdW(inDirectionW: readonly (number | null)[]): number {
  const active = inDirectionW.filter((p) => p !== null).filter((p) => p > STANDBY_W);
  const sorted = active.sort((a, b) => a - b);
  const usualW = sorted[Math.floor(sorted.length * 0.75)] ?? 0;
  return Math.max(STANDBY_W, ACTIVE_FRACTION * usualW);
}
