// Conductor resistance and voltage drop, against NEC tables and published worked examples.
import { describe, expect, it } from 'vitest';
import {
  type Awg,
  COPPER_TABLE_8,
  copperOhmPerKft,
  effectiveOhmPerKft,
  excessHeatW,
  isTabulatedAwg,
  loopResistanceOhm,
  resistanceAtTemperature,
  voltageDropByCircularMilsV,
  voltageDropV,
} from './conductor.ts';

/** Exact by definition of the foot. */
const KFT_PER_KM = 1 / 0.3048;

describe('NEC Chapter 9, Table 8', () => {
  it.each<{ awg: Awg; solidOhmPerKm: number; strandedOhmPerKm: number }>([
    // The table's own metric columns; 8 AWG from memory.
    { awg: 14, solidOhmPerKm: 10.1, strandedOhmPerKm: 10.3 },
    { awg: 12, solidOhmPerKm: 6.34, strandedOhmPerKm: 6.5 },
    { awg: 10, solidOhmPerKm: 3.984, strandedOhmPerKm: 4.07 },
    { awg: 8, solidOhmPerKm: 2.506, strandedOhmPerKm: 2.551 },
  ])('$awg AWG agrees with the metric column', ({ awg, solidOhmPerKm, strandedOhmPerKm }) => {
    const asMetric = (ohmPerKft: number) => ohmPerKft * KFT_PER_KM;
    expect(asMetric(copperOhmPerKft(awg, 'solid')) / solidOhmPerKm).toBeCloseTo(1, 2);
    expect(asMetric(copperOhmPerKft(awg, 'stranded')) / strandedOhmPerKm).toBeCloseTo(1, 2);
  });

  it('resistance goes with the cross-section: R times circular mils is one constant', () => {
    // Copper at 75 C is 12.6 to 12.9 ohm circular mil per foot (the trade's K, rounded).
    for (const row of Object.values(COPPER_TABLE_8)) {
      const k = (row.strandedOhmPerKft * row.circularMils) / 1000;
      expect(k).toBeGreaterThan(12.8);
      expect(k).toBeLessThan(13);
    }
  });

  it('knows its sizes', () => {
    expect(isTabulatedAwg(12)).toBe(true);
    expect(isTabulatedAwg(11)).toBe(false);
    expect(copperOhmPerKft(6, 'solid')).toBe(copperOhmPerKft(6, 'stranded'));
  });

  it('at 20 C copper is about 82 % of the 75 C value', () => {
    // Handbook figure; also 1 / (1 + 0.00393 * 55) from IEC 60028's coefficient at 20 C (from memory).
    expect(resistanceAtTemperature(1, 20)).toBeCloseTo(0.822, 3);
    expect(resistanceAtTemperature(1, 20)).toBeCloseTo(1 / (1 + 0.00393 * 55), 2);
  });
});

describe('NEC Chapter 9, Table 9, effective impedance at 0.85 power factor', () => {
  it.each([
    // Printed columns for PVC conduit; 10 AWG computes to 1.05 where the table prints 1.1.
    { awg: 14, resistance: 3.1, reactance: 0.058, printed: 2.7 },
    { awg: 12, resistance: 2.0, reactance: 0.054, printed: 1.7 },
    { awg: 10, resistance: 1.2, reactance: 0.05, printed: 1.1 },
  ])('$awg AWG is $printed ohm per 1000 ft', ({ resistance, reactance, printed }) => {
    expect(Math.abs(effectiveOhmPerKft(resistance, reactance, 0.85) - printed)).toBeLessThan(0.06);
  });
});

describe('voltage drop', () => {
  it('20 A over 100 ft of 12 AWG loses 7.9 V, 6.6 % of 120 V; of 8 AWG 3.1 V', () => {
    // Worked example of an exam-preparation handbook (NEC voltage drop, K = 12.9).
    expect(voltageDropByCircularMilsV(20, 100, COPPER_TABLE_8[12].circularMils)).toBeCloseTo(7.9, 1);
    expect(voltageDropByCircularMilsV(20, 100, COPPER_TABLE_8[12].circularMils) / 1.2).toBeCloseTo(6.6, 1);
    expect(voltageDropByCircularMilsV(20, 100, COPPER_TABLE_8[8].circularMils)).toBeCloseTo(3.1, 1);
  });

  it.each<{ awg: Awg; solidV: number; strandedV: number }>([
    // 2 * 100 ft * R * 15 A / 1000 with Table 8's R.
    { awg: 14, solidV: 9.21, strandedV: 9.42 },
    { awg: 12, solidV: 5.79, strandedV: 5.94 },
    { awg: 10, solidV: 3.63, strandedV: 3.72 },
  ])('15 A over 100 ft of $awg AWG loses $solidV V solid, $strandedV V stranded', (row) => {
    expect(voltageDropV(15, 100, copperOhmPerKft(row.awg, 'solid'))).toBeCloseTo(row.solidV, 9);
    expect(voltageDropV(15, 100, copperOhmPerKft(row.awg, 'stranded'))).toBeCloseTo(row.strandedV, 9);
  });

  it('the two formulas agree within the rounding of K', () => {
    const byTable = voltageDropV(15, 80, copperOhmPerKft(12, 'stranded'));
    expect(voltageDropByCircularMilsV(15, 80, 6530) / byTable).toBeCloseTo(1, 2);
  });
});

describe('a bad connection', () => {
  it('turns its excess resistance into heat', () => {
    // Joule's law: 0.1 ohm too much at 15 A is 22.5 W in one spot.
    const expectedOhm = loopResistanceOhm(copperOhmPerKft(12, 'solid'), 40);
    expect(excessHeatW(expectedOhm + 0.1, expectedOhm, 15)).toBeCloseTo(22.5, 9);
  });

  it('is not seen in a circuit that is better than its table', () => {
    expect(excessHeatW(0.1, 0.15, 15)).toBe(0);
  });
});
