// Runtime, charge time and round trip, against energy balance, worked by hand and by numerical integration.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  type Charge,
  chargeHours,
  portEnergyWh,
  roundTripEfficiency,
  runtimeH,
  socAfterChargingPct,
  USUAL_TAPER,
  usableWh,
} from './battery.ts';

/** Charge power integrated in small steps: the taper's definition, without its closed form. */
function integratedHours(charge: Charge, toPct: number): number {
  const steps = 100_000;
  const stepPct = (toPct - charge.fromPct) / steps;
  let hours = 0;
  for (let k = 0; k < steps; k++) {
    const socPct = charge.fromPct + (k + 0.5) * stepPct;
    const into = Math.max(0, (socPct - charge.taper.fromPct) / (100 - charge.taper.fromPct));
    const powerW = charge.powerW * (1 - (1 - charge.taper.endShare) * into);
    hours += (charge.capacityWh * stepPct) / 100 / (powerW * charge.chargeEfficiency);
  }
  return hours;
}

describe('runtime', () => {
  it('5.12 kWh from 90 % to 10 % at 400 W, 92 %, 15 W idle is 9.11 h', () => {
    // Energy balance by hand: 4096 Wh / (400 / 0.92 + 15) W; 9.42 h if idle were forgotten.
    const energyWh = usableWh(5120, 90, 10);
    expect(energyWh).toBe(4096);
    expect(runtimeH(energyWh, 400, 0.92, 15)).toBeCloseTo(9.11, 2);
    expect(runtimeH(energyWh, 400, 0.92, 0)).toBeCloseTo(9.42, 2);
  });

  it('is nothing below the floor, and endless without a drain', () => {
    expect(usableWh(5120, 8, 10)).toBe(0);
    expect(runtimeH(1000, 0, 0.92, 0)).toBe(Infinity);
  });
});

describe('charging', () => {
  const charge: Charge = {
    capacityWh: 5120,
    fromPct: 20,
    powerW: 1440,
    chargeEfficiency: 0.93,
    taper: USUAL_TAPER,
  };

  it('5.12 kWh from 20 % at 1440 W takes 2.68 h to the taper and 0.98 h through it', () => {
    // By hand: 3584 Wh / 0.93 / 1440 W; then 512 Wh / 0.93 / 1440 W * ln(10) / 0.9.
    expect(chargeHours(charge, 90)).toBeCloseTo(2.68, 2);
    expect(chargeHours(charge, 100) - chargeHours(charge, 90)).toBeCloseTo(0.98, 2);
  });

  it('agrees with power integrated step by step, from before and from within the taper', () => {
    expect(chargeHours(charge, 100)).toBeCloseTo(integratedHours(charge, 100), 6);
    expect(chargeHours({ ...charge, fromPct: 93 }, 98)).toBeCloseTo(
      integratedHours({ ...charge, fromPct: 93 }, 98),
      6,
    );
  });

  it('to a target already reached takes no time', () => {
    expect(chargeHours(charge, 15)).toBe(0);
  });

  it('for as long as a target takes arrives at it', () => {
    const soc = fc.double({ min: 0, max: 100, noNaN: true });
    fc.assert(
      fc.property(soc, soc, (a, b) => {
        const from = { ...charge, fromPct: Math.min(a, b) };
        const toPct = Math.max(a, b);
        expect(socAfterChargingPct(from, chargeHours(from, toPct))).toBeCloseTo(toPct, 6);
      }),
    );
  });

  it('longer than to full stays full', () => {
    expect(socAfterChargingPct(charge, 24)).toBe(100);
  });
});

describe('energy at the AC port', () => {
  it('is more than the cells take in, and less than they give', () => {
    expect(portEnergyWh(3000, 20, 100, 0.93, 0.92)).toBeCloseTo(2400 / 0.93, 9);
    expect(portEnergyWh(3000, 100, 20, 0.93, 0.92)).toBeCloseTo(-2400 * 0.92, 9);
  });
});

describe('round-trip efficiency', () => {
  it('of a closed cycle is out over in', () => {
    expect(roundTripEfficiency(1000, 863)).toBeCloseTo(0.863, 12);
  });

  it('of an open one counts what is still stored', () => {
    // 1000 Wh in at 0.93 and 500 Wh out at 0.93: 930 - 537.6 stays; round trip 0.8649.
    expect(roundTripEfficiency(1000, 500, 930 - 500 / 0.93)).toBeCloseTo(0.93 ** 2, 12);
  });
});
