import { chargeHours, socAfterChargingPct, USUAL_TAPER } from '@afterwatt/electrical';

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
  /** The last moment from which powerW still reaches the target by the onset; null without an onset, or power. */
  latestStartMs: number | null;
};

/** One way, AC to cells: the square root of a round trip of 85 to 86 % (NREL ATB figure, from memory). */
const CHARGE_EFFICIENCY = 0.93;
const HOUR_MS = 3_600_000;

/**
 * Whether, and until when, a battery can be charged ahead of an outage. Power is constant up to 90 %, then
 * falls linearly with the energy stored, down to a tenth at 100 % (USUAL_TAPER).
 */
export function planCharge(input: ChargeInput): ChargePlan {
  const { atMs, onsetMs, socPct, targetPct, capacityWh, legVolts } = input;
  const chargeEfficiency = input.chargeEfficiency ?? CHARGE_EFFICIENCY;
  const powerW = Math.min(input.chargeLimitWatts, input.capWatts, input.capAmps * legVolts);
  // Above 90 % the measured power has begun to fall already: reckon back to what it was.
  const measuredW = typeof input.measuredW === 'number' ? input.measuredW / powerFraction(socPct) : powerW;
  const charge = { capacityWh, fromPct: socPct, chargeEfficiency, taper: USUAL_TAPER };
  const missingPct = Math.max(0, targetPct - socPct);
  const hoursAt = (watts: number) => {
    if (missingPct === 0) return 0;
    return watts > 0 ? chargeHours({ ...charge, powerW: watts }, targetPct) : Number.POSITIVE_INFINITY;
  };

  const energyWh = ((missingPct / 100) * capacityWh) / chargeEfficiency;
  const arrivalMs = finiteOrNull(atMs + hoursAt(measuredW) * HOUR_MS);
  if (onsetMs === null) {
    return { energyWh, powerW, arrivalMs, feasibleAtCap: null, socAtOnsetPct: null, latestStartMs: null };
  }
  const hoursLeft = Math.max(0, onsetMs - atMs) / HOUR_MS;
  const reachedPct =
    measuredW > 0 ? socAfterChargingPct({ ...charge, powerW: measuredW }, hoursLeft) : socPct;
  const latestStartMs = finiteOrNull(onsetMs - hoursAt(powerW) * HOUR_MS);
  return {
    energyWh,
    powerW,
    arrivalMs,
    feasibleAtCap: latestStartMs !== null && atMs <= latestStartMs,
    socAtOnsetPct: Math.max(socPct, Math.min(targetPct, reachedPct)),
    latestStartMs,
  };
}

function finiteOrNull(ms: number): number | null {
  return Number.isFinite(ms) ? ms : null;
}

/** The part of full power that a battery takes at a state of charge, 1 down to 0.1. */
export function powerFraction(socPct: number): number {
  const { fromPct, endShare } = USUAL_TAPER;
  const left = (100 - Math.min(100, Math.max(fromPct, socPct))) / (100 - fromPct);
  return endShare + (1 - endShare) * left;
}
