// A home as it truly is, at one instant after another: the utility, the household, the batteries and the
// circuit between them. What the instruments make of it is not here.

import {
  type BranchLoad,
  createSolution,
  type OperatingPoint,
  type SplitPhaseNetwork,
  solveSplitPhase,
} from '@afterwatt/electrical';
import { compileCalendar, type TariffCalendar, zoneClock } from '@afterwatt/tariff';
import type { Site, SiteInlet } from '@afterwatt/wire';
import { type Battery, startBattery } from './battery.ts';
import type { Conditions } from './conditions.ts';
import { type HouseLoad, startHousehold, type Total } from './loads/household.ts';
import { randomStream } from './random.ts';
import type { SiteAlert, Span } from './scenario.ts';
import { utilityAt } from './utility.ts';
import { weatherAt } from './weather.ts';

const HOUR_MS = 3_600_000;
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
/** Inverters on a roof wait this long after an outage (IEEE 1547). */
const SOLAR_RECONNECT_MS = 300_000;
const PREPARATION_REACTION_MS = 90_000;
const LOOSE_NEUTRAL_OHM = 0.3;

export interface World {
  readonly atMs: number;
  readonly site: Site;
  readonly gridPresent: boolean;
  readonly frequencyHz: number;
  readonly sourceV: number;
  readonly network: SplitPhaseNetwork;
  /** Everything through the panel's main: voltage, current and power of each leg. */
  readonly l1: OperatingPoint;
  readonly l2: OperatingPoint;
  readonly neutralA: number;
  /** At the panel, in the order of `site.inlets`. */
  readonly inlets: readonly OperatingPoint[];
  /** In the order of `site.batteries`. */
  readonly batteries: readonly Battery[];
  readonly house: HouseLoad;
  readonly solarW: number;
  readonly storm: 'none' | 'preparing' | 'during';
  readonly calendar: TariffCalendar | null;
  readonly conditions: Conditions;
  /** Energy through the service in each direction, Wh, from the run's start. */
  readonly importWh: number;
  readonly exportWh: number;
}

export interface WorldInput {
  readonly site: Site;
  readonly seed: string;
  readonly startMs: number;
  readonly alerts: readonly SiteAlert[];
  readonly outages: readonly Span[];
  /** How faults have it at an instant. */
  readonly conditionsAt: (atMs: number) => Conditions;
}

/** Time passes in the steps that the caller asks for; the same object is changed and returned each time. */
export function startWorld(input: WorldInput): (atMs: number) => World {
  const { site, seed, startMs, alerts, outages, conditionsAt } = input;
  const nominalV = site.service.nominalVolts;
  const clock = zoneClock(site.timeZone);
  const calendar = site.tariff === null ? null : compileCalendar(site.tariff, site.timeZone);
  const weather = weatherAt(seed, site.location, clock);
  const utility = utilityAt(seed, nominalV, outages);
  const household = startHousehold(seed, clock, weather, startMs);
  const batteries = site.batteries.map((battery) => startBattery(seed, site, battery, calendar));
  const random = randomStream(seed, 'wiring');
  const solarPeakW = site.service.otherGeneration ? random.between(2500, 7500) : 0;
  const serviceOhm = random.between(0.018, 0.04);
  const neutralOhm = serviceOhm * random.between(0.8, 1.6);
  const service = { resistanceOhm: serviceOhm, reactanceOhm: 0.5 * serviceOhm };
  const neutral = { resistanceOhm: neutralOhm, reactanceOhm: 0.5 * neutralOhm };
  const circuits = site.inlets.map((inlet) => circuitOf(inlet, random.between(0.005, 0.02)));

  const l1Branch = panelBranch('L1');
  const l2Branch = panelBranch('L2');
  const bothBranch = panelBranch('L1-L2');
  const inletBranches = site.inlets.map((inlet, index) => ({
    ...panelBranch(inlet.leg),
    conductors: { ...(circuits[index] ?? { resistanceOhm: 0, reactanceOhm: 0 }) },
  }));
  const network = {
    sourceV: nominalV,
    nominalV,
    service,
    neutral,
    constantPowerFloorPu: 0.7,
    branches: [l1Branch, l2Branch, bothBranch, ...inletBranches],
  };
  const solution = createSolution(network.branches.length);
  const inletPoints = solution.branches.slice(3);

  const world = {
    atMs: startMs,
    site,
    gridPresent: true,
    frequencyHz: 60,
    sourceV: nominalV,
    network,
    l1: solution.l1,
    l2: solution.l2,
    neutralA: 0,
    inlets: inletPoints.map(({ panel }) => panel),
    batteries,
    house: household.loadAt(startMs),
    solarW: 0,
    storm: 'none' as World['storm'],
    calendar,
    conditions: conditionsAt(startMs),
    importWh: 0,
    exportWh: 0,
  };
  let gridSinceMs = Number.NEGATIVE_INFINITY;
  let throughServiceW = 0;

  function advance(atMs: number): World {
    const dtMs = atMs - world.atMs;
    world.atMs = atMs;
    world.conditions = conditionsAt(atMs);
    world.frequencyHz = utility.frequencyHz(atMs);
    world.house = household.loadAt(atMs);
    const present = utility.isPresent(atMs);
    if (present && !world.gridPresent) gridSinceMs = atMs;
    world.gridPresent = present;
    world.storm = site.storm.enabled ? stormAt(alerts, atMs) : 'none';
    const generates = present && solarPeakW > 0 && atMs - gridSinceMs >= SOLAR_RECONNECT_MS;
    world.solarW = generates ? solarPeakW * weather.sunshinePu(atMs) : 0;
    stepBatteries(atMs);
    if (present) solve(atMs);
    else islandPanel();
    countEnergy(dtMs);
    return world;
  }

  function stepBatteries(atMs: number): void {
    const outsideC = weather.outsideC(atMs);
    for (const [index, battery] of batteries.entries()) {
      const conditions = world.conditions.batteries[index];
      const inlet = site.inlets.find(({ number }) => number === site.batteries[index]?.inlet);
      if (conditions === undefined || inlet === undefined)
        throw new Error(`battery ${index} is not of this site`);
      const leg = inlet.leg === 'L1' ? world.house.l1 : world.house.l2;
      battery.step(
        {
          atMs,
          gridPresent: world.gridPresent,
          storm: world.storm,
          targetPct: site.storm.targetPct,
          houseLegW: leg.impedanceW + leg.powerW,
          backupW: world.house.backedUpW / batteries.length,
          outsideC,
        },
        conditions,
      );
    }
  }

  function solve(atMs: number): void {
    const { service: serviceConditions, inlets } = world.conditions;
    world.sourceV = utility.sourceV(atMs) + serviceConditions.sourceShiftV;
    network.sourceV = world.sourceV;
    neutral.resistanceOhm = neutralOhm + serviceConditions.neutralExtraOhm;
    const loose = serviceConditions.neutralExtraOhm > LOOSE_NEUTRAL_OHM;
    setLoad(l1Branch, world.house.l1, loose);
    setLoad(l2Branch, world.house.l2, loose);
    setLoad(bothBranch, world.house.l1l2, loose);
    bothBranch.constantPowerW -= world.solarW;
    for (const [index, inlet] of site.inlets.entries()) {
      const branch = inletBranches[index];
      const circuit = circuits[index];
      const conditions = inlets[inlet.number - 1];
      if (branch === undefined || circuit === undefined || conditions === undefined) continue;
      branch.conductors.resistanceOhm = circuit.resistanceOhm + conditions.extraOhm;
      branch.constantImpedanceW = conditions.foreignW;
      branch.constantPowerW = 0;
      branch.constantPowerVar = 0;
      for (const [b, battery] of batteries.entries()) {
        if (site.batteries[b]?.inlet !== inlet.number) continue;
        branch.constantPowerW += battery.point.acW;
        branch.constantPowerVar += battery.point.acVar;
      }
    }
    if (solveSplitPhase(network, solution) !== 'solved') tripAndSolve(atMs);
    world.neutralA = solution.neutralA;
    for (const [index, battery] of batteries.entries()) {
      const inletIndex = site.inlets.findIndex(({ number }) => number === site.batteries[index]?.inlet);
      battery.point.acV = inletPoints[inletIndex]?.load.voltageV ?? 0;
    }
  }

  /** Inverters against a broken neutral find no stable point: their protection takes them off the grid. */
  function tripAndSolve(atMs: number): void {
    for (const battery of batteries) battery.trip(atMs);
    for (const branch of [bothBranch, ...inletBranches]) {
      branch.constantPowerW = 0;
      branch.constantPowerVar = 0;
    }
    const outcome = solveSplitPhase(network, solution);
    if (outcome !== 'solved') throw new Error(`${site.id} has no operating point at ${atMs}: ${outcome}`);
  }

  /** The main is open: the panel is dead, but for what a battery wrongly feeds into it. */
  function islandPanel(): void {
    clear(solution.l1);
    clear(solution.l2);
    world.neutralA = 0;
    world.sourceV = 0;
    for (const [index, inlet] of site.inlets.entries()) {
      const point = inletPoints[index];
      if (point === undefined) continue;
      clear(point.panel);
      clear(point.load);
      for (const [b, battery] of batteries.entries()) {
        if (site.batteries[b]?.inlet !== inlet.number) continue;
        const feedsW = battery.point.acW < 0 ? (world.conditions.batteries[b]?.backfeedW ?? 0) : 0;
        battery.point.acV = battery.point.acW < 0 ? nominalV : 0;
        if (feedsW === 0) continue;
        const amps = feedsW / nominalV;
        const volts = nominalV - amps * (circuits[index]?.resistanceOhm ?? 0);
        point.panel.voltageV = volts;
        point.panel.currentA += amps;
        point.panel.powerW -= amps * volts;
        (inlet.leg === 'L1' ? solution.l1 : solution.l2).voltageV = volts;
      }
    }
  }

  function countEnergy(dtMs: number): void {
    const beforeW = throughServiceW;
    throughServiceW = solution.l1.powerW + solution.l2.powerW;
    const energyWh = (((beforeW + throughServiceW) / 2) * dtMs) / HOUR_MS;
    if (energyWh > 0) world.importWh += energyWh;
    else world.exportWh -= energyWh;
  }

  return advance;
}

function stormAt(alerts: readonly SiteAlert[], atMs: number): World['storm'] {
  for (const { sentMs, onsetMs, expiresMs } of alerts) {
    if (atMs >= sentMs + PREPARATION_REACTION_MS && atMs < expiresMs)
      return atMs < onsetMs ? 'preparing' : 'during';
  }
  return 'none';
}

/** Out and back, with the contact resistance of its terminals and its plug. */
function circuitOf(inlet: SiteInlet, contactOhm: number): { resistanceOhm: number; reactanceOhm: number } {
  const kft = (2 * inlet.oneWayFeet) / 1000;
  return {
    resistanceOhm: kft * OHM_PER_KFT[inlet.conductorAwg] * COPPER_AT_30_C + contactOhm,
    reactanceOhm: kft * REACTANCE_OHM_PER_KFT,
  };
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
