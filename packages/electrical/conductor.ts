/**
 * Copper branch-circuit conductors: resistance, voltage drop, and the heat of a resistance that should not be
 * there. Resistances are direct-current values; at 60 Hz and these sizes the alternating-current ones of NEC
 * Chapter 9 Table 9 are the same to its two digits.
 */

export type Awg = 14 | 12 | 10 | 8 | 6 | 4;
export type Stranding = 'solid' | 'stranded';

export interface ConductorProperties {
  circularMils: number;
  /** Ohm per 1000 ft at 75 C, uncoated copper; not tabulated (and not made as building wire) above 8 AWG. */
  solidOhmPerKft?: number;
  strandedOhmPerKft: number;
}

/** NEC Chapter 9, Table 8; 8, 6 and 4 AWG from memory (their stranded values agree with a published copy). */
export const COPPER_TABLE_8: Readonly<Record<Awg, ConductorProperties>> = {
  14: { circularMils: 4110, solidOhmPerKft: 3.07, strandedOhmPerKft: 3.14 },
  12: { circularMils: 6530, solidOhmPerKft: 1.93, strandedOhmPerKft: 1.98 },
  10: { circularMils: 10380, solidOhmPerKft: 1.21, strandedOhmPerKft: 1.24 },
  8: { circularMils: 16510, solidOhmPerKft: 0.764, strandedOhmPerKft: 0.778 },
  6: { circularMils: 26240, strandedOhmPerKft: 0.491 },
  4: { circularMils: 41740, strandedOhmPerKft: 0.308 },
};

/** Temperature of the table's values, C. */
const TABLE_TEMPERATURE_C = 75;
/** Temperature coefficient of copper at 75 C, per kelvin: NEC Chapter 9, Table 8, note 2 (from memory). */
const COPPER_PER_KELVIN = 0.00323;
/** The trade's "K" of loaded copper: ohm of a wire of one circular mil and one foot (common practice). */
const COPPER_K = 12.9;

/** Whether Table 8 above has the size. */
export function isTabulatedAwg(awg: number): awg is Awg {
  return Object.hasOwn(COPPER_TABLE_8, awg);
}

/**
 * Resistance of a copper conductor.
 *
 * @param stranding 6 and 4 AWG are tabulated stranded only, and answer with that
 * @param temperatureC conductor temperature, C
 * @returns ohm per 1000 ft
 */
export function copperOhmPerKft(
  awg: Awg,
  stranding: Stranding,
  temperatureC: number = TABLE_TEMPERATURE_C,
): number {
  const { solidOhmPerKft, strandedOhmPerKft } = COPPER_TABLE_8[awg];
  const at75C = stranding === 'solid' ? (solidOhmPerKft ?? strandedOhmPerKft) : strandedOhmPerKft;
  return resistanceAtTemperature(at75C, temperatureC);
}

/**
 * Resistance of copper at another temperature: R2 = R1 (1 + a (T2 - 75)), NEC Chapter 9, Table 8, note 2.
 *
 * @param at75C resistance at 75 C, any unit of resistance, which the result shares
 */
export function resistanceAtTemperature(at75C: number, temperatureC: number): number {
  return at75C * (1 + COPPER_PER_KELVIN * (temperatureC - TABLE_TEMPERATURE_C));
}

/** Resistance of a two-wire run, out and back, ohm: twice its one-way length. */
export function loopResistanceOhm(ohmPerKft: number, oneWayFeet: number): number {
  return (2 * oneWayFeet * ohmPerKft) / 1000;
}

/** Voltage lost along a single-phase two-wire run, V: 2 L R I / 1000 (the usual handbook formula). */
export function voltageDropV(currentA: number, oneWayFeet: number, ohmPerKft: number): number {
  return currentA * loopResistanceOhm(ohmPerKft, oneWayFeet);
}

/** The same by the trade's "K" formula, V: 2 K I L / circular mils with K = 12.9 for copper. */
export function voltageDropByCircularMilsV(
  currentA: number,
  oneWayFeet: number,
  circularMils: number,
): number {
  return (2 * COPPER_K * currentA * oneWayFeet) / circularMils;
}

/** Voltage drop that NEC 210.19(A) Informational Note 4 recommends to stay within on a branch circuit, per cent. */
export const RECOMMENDED_BRANCH_DROP_PCT = 3;

/**
 * Effective impedance of a conductor for a load of a given power factor, ohm per 1000 ft:
 * R cos(phi) + X sin(phi), NEC Chapter 9, Table 9, note 2.
 *
 * @param powerFactor lagging, 0..1
 */
export function effectiveOhmPerKft(resistance: number, reactance: number, powerFactor: number): number {
  return resistance * powerFactor + reactance * Math.sqrt(1 - powerFactor * powerFactor);
}

/**
 * Heat that a bad connection adds to a circuit: I^2 times the loop resistance that its conductors do not
 * explain. It arises at one point, not along the run, which is why a few watts matter.
 *
 * @returns W, 0 when nothing is in excess
 */
export function excessHeatW(measuredLoopOhm: number, expectedLoopOhm: number, currentA: number): number {
  return currentA * currentA * Math.max(0, measuredLoopOhm - expectedLoopOhm);
}
