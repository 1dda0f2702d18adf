/**
 * Energy from power readings by the trapezoid rule, import and export kept apart, and the comparison with a
 * meter's own registers.
 */

/** A gap of more than this many reading periods is not bridged: nobody knows what flowed in it. */
export const LONGEST_BRIDGED_PERIODS = 5;

const MS_PER_HOUR = 3_600_000;

/** Plain data; start from `emptyEnergyCount()`. */
export interface EnergyCount {
  /** Whether there is a last reading; its time and power. */
  begun: boolean;
  lastAtMs: number;
  lastPowerW: number;
  /** Energy of the parts with positive and with negative power, Wh, both 0 and up. */
  positiveWh: number;
  negativeWh: number;
  /** Time that the energy covers, and time lost in gaps, ms. */
  coveredMs: number;
  gapMs: number;
}

export function emptyEnergyCount(): EnergyCount {
  return { begun: false, lastAtMs: 0, lastPowerW: 0, positiveWh: 0, negativeWh: 0, coveredMs: 0, gapMs: 0 };
}

/**
 * Counts the energy between the last reading and this one, in place. Power is taken to run straight between
 * readings; where it crosses zero, the two triangles go to their own sides. A reading that is not newer than
 * the last changes nothing.
 *
 * @param atMs device time of the reading, ms
 * @param powerW W, either sign
 * @param periodMs usual time between readings, ms; more than five of them is a gap
 */
export function advanceEnergy(state: EnergyCount, atMs: number, powerW: number, periodMs: number): void {
  if (state.begun) {
    const elapsedMs = atMs - state.lastAtMs;
    if (elapsedMs <= 0) return;
    if (elapsedMs > LONGEST_BRIDGED_PERIODS * periodMs) {
      state.gapMs += elapsedMs;
    } else {
      const hours = elapsedMs / MS_PER_HOUR;
      state.positiveWh += hours * meanPositivePart(state.lastPowerW, powerW);
      state.negativeWh += hours * meanPositivePart(-state.lastPowerW, -powerW);
      state.coveredMs += elapsedMs;
    }
  }
  state.begun = true;
  state.lastAtMs = atMs;
  state.lastPowerW = powerW;
}

/** Mean over the way from a to b of what lies above zero. */
function meanPositivePart(a: number, b: number): number {
  if (a >= 0 && b >= 0) return (a + b) / 2;
  if (a <= 0 && b <= 0) return 0;
  const above = Math.max(a, b);
  return (above * above) / (2 * Math.abs(a - b));
}

export type RegisterComparison =
  /** `differencePct` is the counted energy's excess over the register's, null when the register stood still. */
  | { kind: 'compared'; registerWh: number; differenceWh: number; differencePct: number | null }
  /** The register is lower than before: replaced, reset or wrapped; nothing can be said. */
  | { kind: 'register-went-back' };

/**
 * Compares counted energy with what a meter's own register advanced over the same time. The register counts
 * through gaps, so compare only where the count's `gapMs` is small.
 *
 * @param countedWh energy counted from readings, Wh, 0 and up
 * @param registerFromWh, registerToWh register readings at both ends, Wh
 */
export function compareWithRegister(
  countedWh: number,
  registerFromWh: number,
  registerToWh: number,
): RegisterComparison {
  const registerWh = registerToWh - registerFromWh;
  if (registerWh < 0) return { kind: 'register-went-back' };
  const differenceWh = countedWh - registerWh;
  const differencePct = registerWh > 0 ? (100 * differenceWh) / registerWh : null;
  return { kind: 'compared', registerWh, differenceWh, differencePct };
}
