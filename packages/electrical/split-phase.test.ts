// Legs, neutral and unbalance of a split-phase service, against the circuit's published behaviour.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  impedanceFromSlopes,
  inPhaseCurrentA,
  legUnbalancePct,
  legVoltages,
  openNeutralVoltages,
  voltageUnbalancePct,
} from './split-phase.ts';

const volts = fc.double({ min: 100, max: 140, noNaN: true });
const amperes = fc.double({ min: -100, max: 100, noNaN: true });
const ohms = fc.double({ min: 0.001, max: 10, noNaN: true });

describe('leg voltages', () => {
  it('drop with the own leg and, through the neutral, with the unbalance', () => {
    // Worked by hand from Kirchhoff's voltage law: 40 A on L1, 10 A on L2, 30 milliohm legs and neutral.
    const legs = legVoltages({ sourceV: 120, serviceOhm: 0.03, neutralOhm: 0.03 }, 40, 10);
    expect(legs.l1V).toBeCloseTo(120 - 1.2 - 0.9, 12);
    expect(legs.l2V).toBeCloseTo(120 - 0.3 + 0.9, 12);
  });

  it('sum to 2E - (I1 + I2) Zs and differ by -(I1 - I2)(Zs + 2 Zn)', () => {
    fc.assert(
      fc.property(volts, ohms, ohms, amperes, amperes, (sourceV, serviceOhm, neutralOhm, l1A, l2A) => {
        const { l1V, l2V } = legVoltages({ sourceV, serviceOhm, neutralOhm }, l1A, l2A);
        expect(l1V + l2V).toBeCloseTo(2 * sourceV - (l1A + l2A) * serviceOhm, 6);
        expect(l1V - l2V).toBeCloseTo(-(l1A - l2A) * (serviceOhm + 2 * neutralOhm), 6);
      }),
    );
  });

  it('do not see an open neutral while the legs are balanced', () => {
    const service = { sourceV: 120, serviceOhm: 0.03, neutralOhm: Infinity };
    expect(legVoltages(service, 20, 20)).toEqual({ l1V: 119.4, l2V: 119.4 });
  });
});

describe('open neutral', () => {
  it.each([
    // Series divider of 240 V (Ohm's law); the textbook case of a lost neutral.
    { l1Ohm: 12, l2Ohm: 48, l1V: 48, l2V: 192, why: 'the heavily loaded leg falls, the other rises' },
    { l1Ohm: 14.4, l2Ohm: 144, l1V: 21.818, l2V: 218.182, why: '1000 W against 100 W at 120 V' },
    { l1Ohm: 20, l2Ohm: 20, l1V: 120, l2V: 120, why: 'equal loads hide it' },
  ])('$l1Ohm ohm and $l2Ohm ohm stand at $l1V V and $l2V V: $why', ({ l1Ohm, l2Ohm, l1V, l2V }) => {
    const legs = openNeutralVoltages(240, l1Ohm, l2Ohm);
    expect(legs.l1V).toBeCloseTo(l1V, 3);
    expect(legs.l2V).toBeCloseTo(l2V, 3);
  });

  it('always divides the full 240 V', () => {
    fc.assert(
      fc.property(ohms, ohms, (l1Ohm, l2Ohm) => {
        const { l1V, l2V } = openNeutralVoltages(240, l1Ohm, l2Ohm);
        expect(l1V + l2V).toBeCloseTo(240, 9);
        expect(l1V / l2V).toBeCloseTo(l1Ohm / l2Ohm, 6 - Math.ceil(Math.log10(1 + l1Ohm / l2Ohm)));
      }),
    );
  });
});

describe('in-phase current', () => {
  it('keeps the direction that rms current loses', () => {
    expect(inPhaseCurrentA(1200, 120)).toBe(10);
    expect(inPhaseCurrentA(-600, 120)).toBe(-5);
  });

  it('is nought on a dead leg', () => {
    expect(inPhaseCurrentA(3, 0)).toBe(0);
  });
});

it('the two slopes give service and neutral resistance back', () => {
  fc.assert(
    fc.property(ohms, ohms, (serviceOhm, neutralOhm) => {
      const found = impedanceFromSlopes(-serviceOhm, -(serviceOhm + 2 * neutralOhm));
      expect(found.serviceOhm).toBeCloseTo(serviceOhm, 9);
      expect(found.neutralOhm).toBeCloseTo(neutralOhm, 9);
    }),
  );
});

describe('voltage unbalance', () => {
  it.each([
    // NEMA MG-1 definition, worked examples as motor handbooks print them; the second from memory (MG-1 14.36).
    { voltagesV: [462, 463, 455], pct: 1.087 },
    { voltagesV: [460, 467, 450], pct: 1.961 },
    { voltagesV: [480, 476, 472], pct: 0.84 },
  ])('of $voltagesV is $pct %', ({ voltagesV, pct }) => {
    expect(voltageUnbalancePct(voltagesV)).toBeCloseTo(pct, 2);
  });

  it('of two legs is the same measure', () => {
    fc.assert(
      fc.property(volts, volts, (l1V, l2V) => {
        expect(legUnbalancePct(l1V, l2V)).toBeCloseTo(voltageUnbalancePct([l1V, l2V]), 9);
      }),
    );
  });
});
