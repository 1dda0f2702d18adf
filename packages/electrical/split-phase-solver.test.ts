// The operating point of a house, against closed forms of circuit theory and against conservation of power.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { BranchLoad } from './branch-load.ts';
import { legVoltages, openNeutralVoltages } from './split-phase.ts';
import { createSolution, type SplitPhaseNetwork, solveSplitPhase } from './split-phase-solver.ts';

function aBranch(given: Partial<BranchLoad> & Pick<BranchLoad, 'across'>): BranchLoad {
  return {
    conductors: { resistanceOhm: 0, reactanceOhm: 0 },
    constantPowerW: 0,
    constantPowerVar: 0,
    constantImpedanceW: 0,
    constantImpedanceVar: 0,
    ...given,
  };
}

function aNetwork(
  given: Partial<SplitPhaseNetwork> & Pick<SplitPhaseNetwork, 'branches'>,
): SplitPhaseNetwork {
  return {
    sourceV: 122,
    nominalV: 120,
    service: { resistanceOhm: 0.03, reactanceOhm: 0.01 },
    neutral: { resistanceOhm: 0.03, reactanceOhm: 0.005 },
    constantPowerFloorPu: 0,
    ...given,
  };
}

function solved(network: SplitPhaseNetwork) {
  const solution = createSolution(network.branches.length);
  expect(solveSplitPhase(network, solution)).toBe('solved');
  return solution;
}

const NO_IMPEDANCE = { resistanceOhm: 0, reactanceOhm: 0 };
const OPEN = { resistanceOhm: Infinity, reactanceOhm: 0 };

describe('constant impedance', () => {
  it('an open neutral makes a series divider of the legs', () => {
    // 1200 W and 300 W at 120 V are 12 and 48 ohm: 48 V and 192 V (Ohm's law).
    const solution = solved(
      aNetwork({
        sourceV: 120,
        service: NO_IMPEDANCE,
        neutral: OPEN,
        branches: [
          aBranch({ across: 'L1', constantImpedanceW: 1200 }),
          aBranch({ across: 'L2', constantImpedanceW: 300 }),
        ],
      }),
    );
    const expected = openNeutralVoltages(240, 12, 48);
    expect(solution.l1.voltageV).toBeCloseTo(expected.l1V, 9);
    expect(solution.l2.voltageV).toBeCloseTo(expected.l2V, 9);
    expect(solution.neutralA).toBeCloseTo(0, 9);
  });

  it('a very poor neutral tends to the open one', () => {
    const branches = [
      aBranch({ across: 'L1', constantImpedanceW: 1200 }),
      aBranch({ across: 'L2', constantImpedanceW: 300 }),
    ];
    const open = solved(aNetwork({ neutral: OPEN, branches }));
    const poor = solved(aNetwork({ neutral: { resistanceOhm: 1e9, reactanceOhm: 0 }, branches }));
    expect(poor.l1.voltageV).toBeCloseTo(open.l1.voltageV, 4);
  });

  it('branch conductors and load divide the voltage, and a motor load lags', () => {
    // 1000 W + 500 var at 120 V: Z = 14400 / (1000 - 500j) = 11.52 + 5.76j; 0.4 ohm in series, ideal source.
    const solution = solved(
      aNetwork({
        sourceV: 120,
        service: NO_IMPEDANCE,
        neutral: NO_IMPEDANCE,
        branches: [
          aBranch({
            across: 'L1',
            conductors: { resistanceOhm: 0.4, reactanceOhm: 0 },
            constantImpedanceW: 1000,
            constantImpedanceVar: 500,
          }),
        ],
      }),
    );
    const current = 120 / Math.hypot(11.92, 5.76);
    expect(solution.l1.currentA).toBeCloseTo(current, 9);
    expect(solution.l1.powerW).toBeCloseTo(current ** 2 * 11.92, 6);
    expect(solution.l1.reactiveVar).toBeCloseTo(current ** 2 * 5.76, 6);
    expect(solution.branches[0]?.load.voltageV).toBeCloseTo(current * Math.hypot(11.52, 5.76), 9);
  });

  it('a 240 V load loads both legs alike and leaves the neutral alone', () => {
    const solution = solved(aNetwork({ branches: [aBranch({ across: 'L1-L2', constantImpedanceW: 4800 })] }));
    expect(solution.l1.powerW).toBeCloseTo(solution.l2.powerW, 9);
    expect(solution.neutralA).toBeCloseTo(0, 9);
    // 12 ohm across 244 V behind 2 (0.03 + 0.01j).
    expect(solution.l1.currentA).toBeCloseTo(244 / Math.hypot(12.06, 0.02), 9);
  });
});

describe('constant power', () => {
  it('stands at the higher root of the two-bus quadratic', () => {
    // One load of P behind R from an ideal source: V = (E + sqrt(E^2 - 4 P R)) / 2 (two-bus load flow).
    const solution = solved(
      aNetwork({
        sourceV: 120,
        service: NO_IMPEDANCE,
        neutral: NO_IMPEDANCE,
        branches: [
          aBranch({
            across: 'L1',
            conductors: { resistanceOhm: 0.5, reactanceOhm: 0 },
            constantPowerW: 1800,
          }),
        ],
      }),
    );
    const loadV = (120 + Math.sqrt(120 ** 2 - 4 * 1800 * 0.5)) / 2;
    expect(solution.branches[0]?.load.voltageV).toBeCloseTo(loadV, 9);
    expect(solution.branches[0]?.load.powerW).toBeCloseTo(1800, 9);
    expect(solution.branches[0]?.panel.powerW).toBeCloseTo(1800 + (1800 / loadV) ** 2 * 0.5, 9);
  });

  it('through the neutral too: the other leg rises by what the neutral drops', () => {
    const solution = solved(
      aNetwork({
        sourceV: 120,
        service: { resistanceOhm: 0.05, reactanceOhm: 0 },
        neutral: { resistanceOhm: 0.2, reactanceOhm: 0 },
        branches: [aBranch({ across: 'L1', constantPowerW: 2400 })],
      }),
    );
    const loadV = (120 + Math.sqrt(120 ** 2 - 4 * 2400 * 0.25)) / 2;
    expect(solution.l1.voltageV).toBeCloseTo(loadV, 9);
    expect(solution.l2.voltageV).toBeCloseTo(120 + (2400 / loadV) * 0.2, 9);
    expect(solution.neutralA).toBeCloseTo(2400 / loadV, 9);
  });

  it('a battery that feeds lifts its leg', () => {
    const feeding = aBranch({
      across: 'L2',
      conductors: { resistanceOhm: 0.13, reactanceOhm: 0 },
      constantPowerW: -1440,
    });
    const solution = solved(aNetwork({ branches: [feeding] }));
    expect(solution.l2.powerW).toBeLessThan(0);
    expect(solution.l2.voltageV).toBeGreaterThan(122);
    expect(solution.branches[0]?.load.voltageV).toBeGreaterThan(solution.l2.voltageV);
  });

  it('has no operating point past the maximum power transfer, E^2 / 4R', () => {
    const asking = (powerW: number) =>
      aNetwork({
        sourceV: 120,
        service: NO_IMPEDANCE,
        neutral: NO_IMPEDANCE,
        branches: [
          aBranch({
            across: 'L1',
            conductors: { resistanceOhm: 2, reactanceOhm: 0 },
            constantPowerW: powerW,
          }),
        ],
      });
    expect(solveSplitPhase(asking(1799), createSolution(1))).toBe('solved');
    expect(solveSplitPhase(asking(1801), createSolution(1))).toBe('no-operating-point');
  });

  it('becomes constant impedance below its floor instead of collapsing', () => {
    const network = aNetwork({
      sourceV: 120,
      service: NO_IMPEDANCE,
      neutral: OPEN,
      constantPowerFloorPu: 0.75,
      branches: [
        aBranch({ across: 'L1', constantPowerW: 900 }),
        aBranch({ across: 'L2', constantImpedanceW: 300 }),
      ],
    });
    const solution = solved(network);
    // Below 90 V the 900 W load is 9 ohm; with 48 ohm on the other leg it stands at 240 * 9 / 57 V.
    expect(solution.l1.voltageV).toBeCloseTo((240 * 9) / 57, 6);
  });
});

it('says so when nothing can be solved', () => {
  const floating = aNetwork({ neutral: OPEN, branches: [] });
  expect(solveSplitPhase(floating, createSolution(0))).toBe('no-operating-point');
  const broken = aNetwork({ branches: [aBranch({ across: 'L1', constantImpedanceW: Number.NaN })] });
  expect(solveSplitPhase(broken, createSolution(1))).toBe('not-converged');
});

describe('any house', () => {
  const watts = fc.double({ min: 0, max: 4000, noNaN: true });
  const branch = fc.record({
    across: fc.constantFrom('L1', 'L2', 'L1-L2'),
    conductors: fc.record({
      resistanceOhm: fc.double({ min: 0, max: 0.4, noNaN: true }),
      reactanceOhm: fc.double({ min: 0, max: 0.02, noNaN: true }),
    }),
    constantPowerW: fc.double({ min: -1800, max: 2500, noNaN: true }),
    constantPowerVar: fc.double({ min: -500, max: 800, noNaN: true }),
    constantImpedanceW: watts,
    constantImpedanceVar: fc.double({ min: 0, max: 1000, noNaN: true }),
  });
  const network = fc.record({
    sourceV: fc.double({ min: 114, max: 126, noNaN: true }),
    nominalV: fc.constant(120),
    service: fc.record({
      resistanceOhm: fc.double({ min: 0.005, max: 0.08, noNaN: true }),
      reactanceOhm: fc.double({ min: 0, max: 0.05, noNaN: true }),
    }),
    neutral: fc.record({
      resistanceOhm: fc.oneof(fc.double({ min: 0.005, max: 0.5, noNaN: true }), fc.constant(Infinity)),
      reactanceOhm: fc.double({ min: 0, max: 0.05, noNaN: true }),
    }),
    constantPowerFloorPu: fc.constant(0.75),
    branches: fc.array(branch, { minLength: 1, maxLength: 8 }),
  });
  const healthy = network.filter(({ neutral }) => neutral.resistanceOhm < 0.1);

  it('takes from the source exactly what loads and conductors take (Tellegen)', () => {
    fc.assert(
      fc.property(healthy, (house) => {
        const { l1, l2, neutralA, branches } = solved(house);
        const squares = l1.currentA ** 2 + l2.currentA ** 2;
        const { service, neutral } = house;
        const powerW =
          l1.powerW + l2.powerW + squares * service.resistanceOhm + neutralA ** 2 * neutral.resistanceOhm;
        const reactiveVar =
          l1.reactiveVar +
          l2.reactiveVar +
          squares * service.reactanceOhm +
          neutralA ** 2 * neutral.reactanceOhm;
        // |J1 + J2| from |J1|, |J2| and |J1 - J2| by the parallelogram law.
        const sourceA = Math.sqrt(2 * squares - neutralA ** 2);
        expect(Math.hypot(powerW, reactiveVar)).toBeCloseTo(house.sourceV * sourceA, 4);

        expect(branches.reduce((sum, { panel }) => sum + panel.powerW, 0)).toBeCloseTo(
          l1.powerW + l2.powerW,
          6,
        );
        branches.forEach(({ panel, load }, index) => {
          const resistanceOhm = house.branches[index]?.conductors.resistanceOhm ?? Number.NaN;
          expect(panel.powerW).toBeCloseTo(load.powerW + load.currentA ** 2 * resistanceOhm, 6);
        });
      }),
    );
  });

  it('obeys the loads: each takes its constant power, and its impedance power by the square of voltage', () => {
    fc.assert(
      fc.property(healthy, (house) => {
        solved(house).branches.forEach(({ load }, index) => {
          const asked = house.branches[index];
          if (asked === undefined) throw new Error('more branches than asked');
          const pu = load.voltageV / (asked.across === 'L1-L2' ? 240 : 120);
          if (pu < 0.75) return;
          expect(load.powerW).toBeCloseTo(asked.constantPowerW + asked.constantImpedanceW * pu ** 2, 5);
        });
      }),
    );
  });

  it('agrees with the closed form of a resistive service', () => {
    fc.assert(
      fc.property(healthy, (given) => {
        const house = {
          ...given,
          service: { ...given.service, reactanceOhm: 0 },
          neutral: { ...given.neutral, reactanceOhm: 0 },
          branches: given.branches.map((each) => ({
            ...each,
            conductors: { ...each.conductors, reactanceOhm: 0 },
            constantPowerVar: 0,
            constantImpedanceVar: 0,
          })),
        };
        const { l1, l2 } = solved(house);
        const service = {
          sourceV: house.sourceV,
          serviceOhm: house.service.resistanceOhm,
          neutralOhm: house.neutral.resistanceOhm,
        };
        const expected = legVoltages(service, l1.powerW / l1.voltageV, l2.powerW / l2.voltageV);
        expect(l1.voltageV).toBeCloseTo(expected.l1V, 6);
        expect(l2.voltageV).toBeCloseTo(expected.l2V, 6);
      }),
    );
  });

  it('comes to the same voltages from those of a moment ago as from the source', () => {
    fc.assert(
      fc.property(healthy, fc.double({ min: -0.01, max: 0.01, noNaN: true }), (house, changePu) => {
        const solution = solved(house);
        const now = { ...house, sourceV: house.sourceV * (1 + changePu) };
        const cold = solved(now);
        expect(solveSplitPhase(now, solution, { tolerancePu: 1e-11, goesOn: true })).toBe('solved');
        expect(solution.l1.voltageV).toBeCloseTo(cold.l1.voltageV, 6);
        expect(solution.l2.voltageV).toBeCloseTo(cold.l2.voltageV, 6);
        expect(solution.iterations).toBeLessThanOrEqual(cold.iterations + 1);
      }),
    );
  });

  it('that feeds nothing back has an operating point with any neutral, an open one too', () => {
    fc.assert(
      fc.property(network, (given) => {
        const house = {
          ...given,
          branches: [
            aBranch({ across: 'L1', constantImpedanceW: 20 }),
            aBranch({ across: 'L2', constantImpedanceW: 20 }),
            ...given.branches.map((each) => ({
              ...each,
              constantPowerW: Math.abs(each.constantPowerW),
              constantPowerVar: Math.abs(each.constantPowerVar),
            })),
          ],
        };
        const { l1, l2 } = solved(house);
        expect(Math.min(l1.voltageV, l2.voltageV)).toBeGreaterThan(0);
        expect(Math.max(l1.voltageV, l2.voltageV)).toBeLessThan(2 * house.sourceV);
      }),
      { numRuns: 1000 },
    );
  });
});
