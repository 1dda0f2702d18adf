// The circuit of a home: service, neutral, the household's loads at the panel, and an inlet circuit for each
// battery. What its fixed parts are is drawn once; what flows is solved for each instant.

import {
  type BranchLoad,
  createSolution,
  type Impedance,
  type OperatingPoint,
  type SolveOptions,
  type SplitPhaseNetwork,
  solveSplitPhase,
} from '@afterwatt/electrical';
import type { Site, SiteInlet } from '@afterwatt/wire';
import type { BatteryPoint } from './battery.ts';
import type { Conditions } from './conditions.ts';
import type { HouseLoad, Total } from './loads/household.ts';
import type { RandomStream } from './random.ts';

/** Copper at the temperature of a wall instead of the table's 75 Cel (NEC chapter 9 table 8, note 2). */
const COPPER_AT_30_C = 1 + 0.00323 * (30 - 75);
/** NEC chapter 9 table 8, solid uncoated copper at 75 Cel, ohm per 1000 ft. */
const OHM_PER_KFT: Readonly<Record<SiteInlet['conductorAwg'], number>> = {
  14: 3.07,
  12: 1.93,
  10: 1.21,
  8: 0.764,
  6: 0.491,
};
/** NEC chapter 9 table 9, PVC conduit, about the same for all of these sizes. */
const REACTANCE_OHM_PER_KFT = 0.054;
/** More than this beyond the healthy neutral, and loads no longer hold their power. */
const LOOSE_NEUTRAL_OHM = 0.3;
/** A millivolt, far below what a meter shows; on a healthy service the next iteration would change a hundredth of it. */
const TOLERANCE_PU = 1e-5;
const FROM_SOURCE: SolveOptions = { tolerancePu: TOLERANCE_PU, goesOn: false };
const GOES_ON: SolveOptions = { tolerancePu: TOLERANCE_PU, goesOn: true };

export interface PanelLoads {
  readonly house: HouseLoad;
  readonly solarW: number;
  /** In the order of `site.batteries`; their voltage is filled in. */
  readonly batteries: readonly BatteryPoint[];
  readonly conditions: Conditions;
}

export interface PanelCircuit {
  readonly network: SplitPhaseNetwork;
  /** Through the panel's main. */
  readonly l1: OperatingPoint;
  readonly l2: OperatingPoint;
  /** At the panel, in the order of `site.inlets`. */
  readonly inlets: readonly OperatingPoint[];
  neutralA: number;
  /** With the utility there. Returns false when the inverters find no stable point and have to leave. */
  solve(sourceV: number, loads: PanelLoads): boolean;
  /** With the main open: a dead panel, but for what a battery wrongly feeds into it. */
  solveIsland(loads: PanelLoads): void;
}

export function startPanelCircuit(site: Site, random: RandomStream): PanelCircuit {
  const nominalV = site.service.nominalVolts;
  const serviceOhm = random.between(0.018, 0.04);
  const neutralOhm = serviceOhm * random.between(0.8, 1.6);
  const neutral = { resistanceOhm: neutralOhm, reactanceOhm: 0.5 * neutralOhm };
  const circuits = site.inlets.map((inlet) => circuitOf(inlet, random.between(0.005, 0.02)));
  const house = { l1: panelBranch('L1'), l2: panelBranch('L2'), both: panelBranch('L1-L2') };
  const inletBranches = circuits.map((circuit, index) => ({
    ...panelBranch(site.inlets[index]?.leg ?? 'L1'),
    conductors: { ...circuit },
  }));
  const network = {
    sourceV: nominalV,
    nominalV,
    service: { resistanceOhm: serviceOhm, reactanceOhm: 0.5 * serviceOhm },
    neutral,
    constantPowerFloorPu: 0.7,
    branches: [house.l1, house.l2, house.both, ...inletBranches],
  };
  const solution = createSolution(network.branches.length);
  const inletPoints = solution.branches.slice(3);
  let wasStable = false;
  /** For each battery, where its inlet stands in `site.inlets`. */
  const inletOfBattery = site.batteries.map((battery) =>
    site.inlets.findIndex(({ number }) => number === battery.inlet),
  );
  const circuit: PanelCircuit = {
    network,
    l1: solution.l1,
    l2: solution.l2,
    inlets: inletPoints.map(({ panel }) => panel),
    neutralA: 0,
    solve,
    solveIsland,
  };

  function solve(sourceV: number, { house: load, solarW, batteries, conditions }: PanelLoads): boolean {
    network.sourceV = sourceV;
    neutral.resistanceOhm = neutralOhm + conditions.service.neutralExtraOhm;
    const loose = conditions.service.neutralExtraOhm > LOOSE_NEUTRAL_OHM;
    setLoad(house.l1, load.l1, loose);
    setLoad(house.l2, load.l2, loose);
    setLoad(house.both, load.l1l2, loose);
    house.both.constantPowerW -= solarW;
    for (let index = 0; index < inletBranches.length; index += 1) setInlet(index, batteries, conditions);
    let outcome = solveSplitPhase(network, solution, wasStable ? GOES_ON : FROM_SOURCE);
    wasStable = outcome === 'solved';
    if (!wasStable) {
      for (const branch of [house.both, ...inletBranches]) {
        branch.constantPowerW = 0;
        branch.constantPowerVar = 0;
      }
      outcome = solveSplitPhase(network, solution, FROM_SOURCE);
      if (outcome !== 'solved') throw new Error(`${site.id} has no operating point: ${outcome}`);
    }
    circuit.neutralA = solution.neutralA;
    for (let b = 0; b < batteries.length; b += 1) {
      const battery = batteries[b];
      if (battery !== undefined) battery.acV = inletPoints[inletOfBattery[b] ?? 0]?.load.voltageV ?? 0;
    }
    return wasStable;
  }

  function setInlet(index: number, batteries: readonly BatteryPoint[], { inlets }: Conditions): void {
    const branch = inletBranches[index];
    const inlet = site.inlets[index];
    if (branch === undefined || inlet === undefined) return;
    const { extraOhm, foreignW } = inlets[inlet.number === 2 ? 1 : 0];
    branch.conductors.resistanceOhm = (circuits[index]?.resistanceOhm ?? 0) + extraOhm;
    branch.constantImpedanceW = foreignW;
    branch.constantPowerW = 0;
    branch.constantPowerVar = 0;
    for (let b = 0; b < batteries.length; b += 1) {
      const battery = batteries[b];
      if (battery === undefined || inletOfBattery[b] !== index) continue;
      branch.constantPowerW += battery.acW;
      branch.constantPowerVar += battery.acVar;
    }
  }

  function solveIsland({ batteries, conditions }: PanelLoads): void {
    wasStable = false;
    for (const point of [solution.l1, solution.l2]) clear(point);
    for (const { panel, load } of inletPoints) {
      clear(panel);
      clear(load);
    }
    circuit.neutralA = 0;
    for (const [b, battery] of batteries.entries()) {
      const index = inletOfBattery[b] ?? 0;
      const panel = inletPoints[index]?.panel;
      const feedsW = conditions.batteries[b]?.backfeedW ?? 0;
      const runs = battery.acW < 0;
      battery.acV = runs ? nominalV : 0;
      if (!runs || feedsW === 0 || panel === undefined) continue;
      const amps = feedsW / nominalV;
      const volts = nominalV - amps * (circuits[index]?.resistanceOhm ?? 0);
      panel.voltageV = volts;
      panel.currentA += amps;
      panel.powerW -= amps * volts;
      (site.inlets[index]?.leg === 'L2' ? solution.l2 : solution.l1).voltageV = volts;
    }
  }

  return circuit;
}

/** Out and back, with the contact resistance of its terminals and its plug. */
function circuitOf(inlet: SiteInlet, contactOhm: number): Impedance {
  return {
    resistanceOhm: wallCopperOhm(inlet) + contactOhm,
    reactanceOhm: conductorsKft(inlet) * REACTANCE_OHM_PER_KFT,
  };
}

/** Out and back, at the temperature of a wall. */
export function wallCopperOhm(inlet: SiteInlet): number {
  return conductorsKft(inlet) * OHM_PER_KFT[inlet.conductorAwg] * COPPER_AT_30_C;
}

function conductorsKft({ oneWayFeet }: SiteInlet): number {
  return (2 * oneWayFeet) / 1000;
}

function panelBranch(across: BranchLoad['across']): BranchLoad {
  return {
    across,
    conductors: { resistanceOhm: 0, reactanceOhm: 0 },
    constantPowerW: 0,
    constantPowerVar: 0,
    constantImpedanceW: 0,
    constantImpedanceVar: 0,
  };
}

/**
 * On a loose neutral the legs are in series, and loads that hold their power there have no stable point: what
 * really happens is that they fall out or act as impedances.
 */
function setLoad(branch: BranchLoad, total: Total, loose: boolean): void {
  branch.constantImpedanceW = total.impedanceW + (loose ? total.powerW : 0);
  branch.constantImpedanceVar = loose ? total.reactiveVar : 0;
  branch.constantPowerW = loose ? 0 : total.powerW;
  branch.constantPowerVar = loose ? 0 : total.reactiveVar;
}

function clear(point: OperatingPoint): void {
  point.voltageV = 0;
  point.currentA = 0;
  point.powerW = 0;
  point.reactiveVar = 0;
}
