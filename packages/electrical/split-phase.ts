/**
 * Closed forms of a 120/240 V split-phase service: two legs, 180 degrees apart, and a shared neutral.
 *
 * Signs: a leg's current and power are positive when they flow from the grid into the house. Both leg
 * voltages are taken in their own leg's direction, so they are positive and in phase with each other; a
 * current in phase with its own leg's voltage is positive on either leg.
 */

export type Leg = 'L1' | 'L2';

export interface LegVoltages {
  l1V: number;
  l2V: number;
}

/** A service seen from the panel; resistive parts only. */
export interface ServiceResistance {
  /** No-load rms voltage of one leg, V, above 0 (nominally 120). */
  sourceV: number;
  /** Transformer winding and service conductor of one leg, ohm, 0 and up (healthy: some tens of milliohm). */
  serviceOhm: number;
  /** Neutral conductor with its connections, ohm, 0 and up; Infinity when it is open. */
  neutralOhm: number;
}

/**
 * Leg voltages at the panel for given in-phase leg currents: V1 = E - I1 Zs - (I1 - I2) Zn and
 * V2 = E - I2 Zs + (I1 - I2) Zn, by Kirchhoff's voltage law around each half of the service.
 *
 * @param l1A, l2A in-phase leg currents, A, positive into the house
 * @returns rms voltages of both legs, V; not a number for an open neutral with unequal currents, which no
 *   service can carry: use `openNeutralVoltages` there
 */
export function legVoltages(service: ServiceResistance, l1A: number, l2A: number): LegVoltages {
  const neutralDropV = l1A === l2A ? 0 : (l1A - l2A) * service.neutralOhm;
  return {
    l1V: service.sourceV - l1A * service.serviceOhm - neutralDropV,
    l2V: service.sourceV - l2A * service.serviceOhm + neutralDropV,
  };
}

/**
 * Leg voltages when the neutral is open: the two legs' loads stand in series across the line voltage and
 * divide it, V1 = V R1 / (R1 + R2). Equal loads hide the fault.
 *
 * @param lineV voltage between the legs, V (nominally 240)
 * @param l1Ohm, l2Ohm resistance of all loads on a leg in parallel, ohm, above 0
 */
export function openNeutralVoltages(lineV: number, l1Ohm: number, l2Ohm: number): LegVoltages {
  const l1V = (lineV * l1Ohm) / (l1Ohm + l2Ohm);
  return { l1V, l2V: lineV - l1V };
}

/**
 * The part of a leg's current that is in phase with its voltage, signed: p / v. It is what drops voltage in
 * resistive conductors, whatever the load's power factor, and it keeps the direction that an rms current loses.
 *
 * @param powerW active power, W, either sign
 * @param voltageV rms voltage, V
 * @returns A; 0 on a dead leg (voltage not above 0), which can carry no power
 */
export function inPhaseCurrentA(powerW: number, voltageV: number): number {
  return voltageV > 0 ? powerW / voltageV : 0;
}

export interface SplitPhaseImpedance {
  serviceOhm: number;
  neutralOhm: number;
}

/**
 * Service and neutral resistance from the two slopes that readings show: `sumSlope` of v1 + v2 against
 * i1 + i2 is -Zs, `differenceSlope` of v1 - v2 against i1 - i2 is -(Zs + 2 Zn) (in-phase currents; the
 * difference of the two equations in `legVoltages`). The source voltage falls out of the second, 240 V loads
 * fall out of its current.
 *
 * @param sumSlope, differenceSlope ohm, usually negative; both taken on differences between readings
 * @returns ohm; small negative values come from noise and are left in for the caller to judge
 */
export function impedanceFromSlopes(sumSlope: number, differenceSlope: number): SplitPhaseImpedance {
  return { serviceOhm: -sumSlope, neutralOhm: (sumSlope - differenceSlope) / 2 };
}

/**
 * Voltage unbalance after NEMA MG-1: 100 times the largest deviation from the average over the average.
 *
 * @param voltagesV rms voltages, V, at least one, with a positive average
 * @returns per cent, 0 and up
 */
export function voltageUnbalancePct(voltagesV: readonly number[]): number {
  let sum = 0;
  for (const voltage of voltagesV) sum += voltage;
  const average = sum / voltagesV.length;
  let largest = 0;
  for (const voltage of voltagesV) largest = Math.max(largest, Math.abs(voltage - average));
  return (100 * largest) / average;
}

/** What the MG-1 measure becomes for two legs: 100 |V1 - V2| / (V1 + V2), per cent; their sum must be above 0. */
export function legUnbalancePct(l1V: number, l2V: number): number {
  return (100 * Math.abs(l1V - l2V)) / (l1V + l2V);
}
