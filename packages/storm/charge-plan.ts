export type ChargeInput = {
  /** Now, device time. */
  atMs: number;
  /** When the event is expected to begin; null where the alert does not say. */
  onsetMs: number | null;
  /** State of charge now and wanted, 0 to 100. */
  socPct: number;
  targetPct: number;
  capacityWh: number;
  /** The battery's own charging limit. */
  chargeLimitWatts: number;
  /** What the inlet may carry; where batteries share an inlet, this one's share of it. */
  capWatts: number;
  capAmps: number;
  /** Voltage of the inlet's leg. */
  legVolts: number;
  /** Measured charging power at the AC port, W, positive = charging; null or left out: as at the cap. */
  measuredW?: number | null;
  /** Energy stored over energy taken at the AC port. */
  chargeEfficiency?: number;
};

export type ChargePlan = {
  /** Energy still to be taken at the AC port, Wh; 0 once the target is reached. */
  energyWh: number;
  /** The most the battery may charge with: the least of its limit and the inlet's two caps, W. */
  powerW: number;
  /** When the target is reached at the measured power or, without one, at powerW; null: never. */
  arrivalMs: number | null;
  /** Whether charging at powerW from now on reaches the target by the onset; null without an onset. */
  feasibleAtCap: boolean | null;
  /** State of charge at the onset, at the rate of arrivalMs; null without an onset. */
  socAtOnsetPct: number | null;
  /** The last moment from which powerW still reaches the target by the onset; null without an onset. */
  latestStartMs: number | null;
};

/** One way, AC to cells: the square root of a round trip of 85 to 86 % (NREL ATB figure, from memory). */
const CHARGE_EFFICIENCY = 0.93;
/** LiFePO4 cells take constant power up to about here, then a falling current (common practice). */
const TAPER_START_PCT = 90;
/** What is left of the power when the cells are full: charging stops at 0.05 to 0.1 C (common practice). */
const TAPER_END_FRACTION = 0.1;
/** How many points of charge the falling power takes to fall by a factor of e. */
const TAPER_SCALE_PCT = (100 - TAPER_START_PCT) / (1 - TAPER_END_FRACTION);
const HOUR_MS = 3_600_000;

/**
 * Whether, and until when, a battery can be charged ahead of an outage. Power is constant up to 90 %, then
 * falls linearly with the energy stored, down to a tenth at 100 %.
 */
export function planCharge(input: ChargeInput): ChargePlan {
  const { atMs, onsetMs, socPct, targetPct, capacityWh, legVolts } = input;
  const whPerPct = capacityWh / 100 / (input.chargeEfficiency ?? CHARGE_EFFICIENCY);
  const powerW = Math.min(input.chargeLimitWatts, input.capWatts, input.capAmps * legVolts);
  // Above 90 % the measured power has begun to fall already: reckon back to what it was.
  const measuredW = input.measuredW == null ? powerW : input.measuredW / powerFraction(socPct);

  const hoursAtCap = hoursToReach(socPct, targetPct, powerW, whPerPct);
  const hoursAsMeasured = hoursToReach(socPct, targetPct, measuredW, whPerPct);
  const arrivalMs = Number.isFinite(hoursAsMeasured) ? atMs + hoursAsMeasured * HOUR_MS : null;
  const energyWh = Math.max(0, targetPct - socPct) * whPerPct;
  if (onsetMs === null) {
    return { energyWh, powerW, arrivalMs, feasibleAtCap: null, socAtOnsetPct: null, latestStartMs: null };
  }
  const latestStartMs = onsetMs - hoursAtCap * HOUR_MS;
  const hoursLeft = Math.max(0, onsetMs - atMs) / HOUR_MS;
  return {
    energyWh,
    powerW,
    arrivalMs,
    feasibleAtCap: atMs <= latestStartMs,
    socAtOnsetPct: Math.max(socPct, Math.min(targetPct, socAfter(socPct, hoursLeft, measuredW, whPerPct))),
    latestStartMs,
  };
}

/** The part of full power that a battery takes at a state of charge, 1 down to 0.1. */
export function powerFraction(socPct: number): number {
  const taper = Math.max(0, socPct - TAPER_START_PCT) / (100 - TAPER_START_PCT);
  return TAPER_END_FRACTION + (1 - TAPER_END_FRACTION) * (1 - Math.min(1, taper));
}

/** Hours from one state of charge to another, both in per cent; Infinity without power. */
function hoursToReach(fromPct: number, toPct: number, powerW: number, whPerPct: number): number {
  if (toPct <= fromPct) return 0;
  if (powerW <= 0) return Number.POSITIVE_INFINITY;
  const constantPct = Math.max(0, Math.min(toPct, TAPER_START_PCT) - fromPct);
  const falls = Math.log(powerFraction(fromPct) / powerFraction(toPct));
  return (whPerPct / powerW) * (constantPct + falls * TAPER_SCALE_PCT);
}

/** Where the charge stands after a time: the inverse of hoursToReach, up to 100. */
function socAfter(fromPct: number, hours: number, powerW: number, whPerPct: number): number {
  if (powerW <= 0) return fromPct;
  const pct = (hours * powerW) / whPerPct;
  const constantPct = Math.max(0, TAPER_START_PCT - fromPct);
  if (pct <= constantPct) return fromPct + pct;
  const fraction = powerFraction(fromPct) * Math.exp(-(pct - constantPct) / TAPER_SCALE_PCT);
  return Math.min(100, TAPER_START_PCT + (1 - fraction) * TAPER_SCALE_PCT);
}
