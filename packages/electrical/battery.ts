/**
 * A battery behind its AC port: usable energy, how long it lasts, how long it charges. Efficiencies are shares
 * 0..1 between the AC port and the cells; `capacityWh` is what the cells hold now, full to empty (nominal
 * capacity times state of health). State of charge is in per cent.
 */

/**
 * Usable energy in the cells, Wh: capacity (soc - floor), none below the floor.
 *
 * @param floorPct state of charge at which discharge ends (reserve, or empty), 0..100
 */
export function usableWh(capacityWh: number, socPct: number, floorPct: number): number {
  return (capacityWh * Math.max(0, socPct - floorPct)) / 100;
}

/**
 * How long usable energy carries a load: E / (P / efficiency + idle).
 *
 * @param loadW power at the AC port, W, 0 and up
 * @param idleW the unit's own consumption from the cells, W, 0 and up
 * @returns hours; Infinity when nothing is drawn
 */
export function runtimeH(
  usableWh: number,
  loadW: number,
  dischargeEfficiency: number,
  idleW: number,
): number {
  const drainW = loadW / dischargeEfficiency + idleW;
  return drainW > 0 ? usableWh / drainW : Infinity;
}

/** How charging power falls near full. */
export interface Taper {
  /** State of charge at which constant power ends, per cent, below 100. */
  fromPct: number;
  /** Power left at 100 %, as a share of full power, above 0, below 1. */
  endShare: number;
}

/**
 * Iron-phosphate cells at up to half their capacity per hour hold constant power to about 90 %; charging ends
 * at a tenth of it (common practice; no standard gives a figure, so learn it per pack where it matters).
 */
export const USUAL_TAPER: Taper = { fromPct: 90, endShare: 0.1 };

/** A charge at the AC port. */
export interface Charge {
  capacityWh: number;
  fromPct: number;
  /** Power at the AC port before the taper, W, above 0. */
  powerW: number;
  chargeEfficiency: number;
  taper: Taper;
}

/**
 * Time to charge: constant power, then power that falls linearly with the energy stored. With T the taper's
 * energy at the AC port and f its end share, a part x of it takes T / P * ln(1 / (1 - (1 - f) x)) / (1 - f).
 *
 * @param toPct target, up to 100; at or below `fromPct` nothing is to do
 * @returns hours
 */
export function chargeHours(charge: Charge, toPct: number): number {
  return Math.max(0, hoursFromTaper(charge, toPct) - hoursFromTaper(charge, charge.fromPct));
}

/**
 * State of charge after charging for a time: the inverse of `chargeHours`, up to 100.
 *
 * @param hours 0 and up
 */
export function socAfterChargingPct(charge: Charge, hours: number): number {
  const { capacityWh, powerW, chargeEfficiency, taper } = charge;
  const at = hoursFromTaper(charge, charge.fromPct) + hours;
  const pctPerHour = (100 * powerW * chargeEfficiency) / capacityWh;
  if (at <= 0) return taper.fromPct + at * pctPerHour;
  const taperPct = 100 - taper.fromPct;
  const fall = 1 - taper.endShare;
  const part = (1 - Math.exp((-at * pctPerHour * fall) / taperPct)) / fall;
  return Math.min(100, taper.fromPct + part * taperPct);
}

/** Hours from the beginning of the taper to a state of charge; negative before it. */
function hoursFromTaper(charge: Charge, socPct: number): number {
  const { capacityWh, powerW, chargeEfficiency, taper } = charge;
  const pctPerHour = (100 * powerW * chargeEfficiency) / capacityWh;
  const beyondPct = socPct - taper.fromPct;
  if (beyondPct <= 0) return beyondPct / pctPerHour;
  const taperPct = 100 - taper.fromPct;
  const fall = 1 - taper.endShare;
  return ((taperPct / pctPerHour) * Math.log(1 / (1 - (fall * beyondPct) / taperPct))) / fall;
}

/**
 * Energy at the AC port between two states of charge, Wh: positive is charging, and more than the cells take
 * in; negative is discharging, and less than they give.
 */
export function portEnergyWh(
  capacityWh: number,
  fromPct: number,
  toPct: number,
  chargeEfficiency: number,
  dischargeEfficiency: number,
): number {
  const cellsWh = (capacityWh * (toPct - fromPct)) / 100;
  return cellsWh >= 0 ? cellsWh / chargeEfficiency : cellsWh * dischargeEfficiency;
}

/**
 * Round-trip efficiency at the AC port. Over a closed cycle it is out / in. Where the cells end with more or
 * less than they began, losses are taken as equal both ways: stored = x in - out / x with x the root of the
 * round-trip efficiency, solved for x.
 *
 * @param inWh, outWh energy in and out at the AC port, Wh, both above 0
 * @param storedWh change of energy in the cells, end less beginning, Wh
 * @returns share, above 0; above 1 means that capacity or readings are wrong
 */
export function roundTripEfficiency(inWh: number, outWh: number, storedWh = 0): number {
  const oneWay = (storedWh + Math.sqrt(storedWh * storedWh + 4 * inWh * outWh)) / (2 * inWh);
  return oneWay * oneWay;
}
