// A home as it truly is, at one instant after another: the utility, the household, the batteries and the
// circuit between them. What the instruments make of it is not here.

import type { OperatingPoint, SplitPhaseNetwork } from '@afterwatt/electrical';
import { compileCalendar, type TariffCalendar, zoneClock } from '@afterwatt/tariff';
import type { Site } from '@afterwatt/wire';
import { type Battery, startBattery } from './battery.ts';
import type { Conditions } from './conditions.ts';
import { type HouseLoad, startHousehold } from './loads/household.ts';
import { startPanelCircuit } from './panel-circuit.ts';
import { randomStream } from './random.ts';
import type { SiteAlert, Span } from './scenario.ts';
import { utilityAt } from './utility.ts';
import { weatherAt } from './weather.ts';

/** Inverters on a roof wait this long after an outage (IEEE 1547). */
const SOLAR_RECONNECT_MS = 300_000;
const PREPARATION_REACTION_MS = 90_000;

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
  const clock = zoneClock(site.timeZone);
  const calendar = site.tariff === null ? null : compileCalendar(site.tariff, site.timeZone);
  const weather = weatherAt(seed, site.location, clock);
  const household = startHousehold(seed, clock, weather, startMs);
  const batteries = site.batteries.map((battery) => startBattery(seed, site, battery, calendar));
  const batteryPoints = batteries.map(({ point }) => point);
  const onL1 = site.batteries.map(
    ({ inlet }) => site.inlets.find(({ number }) => number === inlet)?.leg === 'L1',
  );
  const stepInput = {
    atMs: startMs,
    gridPresent: true,
    storm: 'none' as World['storm'],
    targetPct: site.storm.targetPct,
    houseLegW: 0,
    backupW: 0,
    outsideC: 0,
  };
  const random = randomStream(seed, 'wiring');
  const solarPeakW = site.service.otherGeneration ? random.between(2500, 7500) : 0;
  const utility = utilityAt(seed, site.service.nominalVolts, outages, solarPeakW);
  const circuit = startPanelCircuit(site, random);
  let gridSinceMs = Number.NEGATIVE_INFINITY;

  const world = {
    atMs: startMs,
    site,
    gridPresent: true,
    frequencyHz: 60,
    sourceV: site.service.nominalVolts,
    network: circuit.network,
    l1: circuit.l1,
    l2: circuit.l2,
    neutralA: 0,
    inlets: circuit.inlets,
    batteries,
    house: household.loadAt(startMs),
    solarW: 0,
    storm: 'none' as World['storm'],
    calendar,
    conditions: conditionsAt(startMs),
  };

  const loads = { house: world.house, solarW: 0, batteries: batteryPoints, conditions: world.conditions };

  function advance(atMs: number): World {
    world.atMs = atMs;
    world.conditions = conditionsAt(atMs);
    world.frequencyHz = utility.frequencyHz(atMs);
    household.loadAt(atMs); // the same object each time
    const present = utility.isPresent(atMs);
    if (present && !world.gridPresent) gridSinceMs = atMs;
    world.gridPresent = present;
    world.storm = site.storm.enabled ? stormAt(alerts, atMs) : 'none';
    const generates = present && solarPeakW > 0 && atMs - gridSinceMs >= SOLAR_RECONNECT_MS;
    world.solarW = generates ? solarPeakW * weather.sunshinePu(atMs) : 0;
    stepBatteries(atMs);
    flow(atMs);
    return world;
  }

  function stepBatteries(atMs: number): void {
    const { house, conditions } = world;
    stepInput.atMs = atMs;
    stepInput.gridPresent = world.gridPresent;
    stepInput.storm = world.storm;
    stepInput.backupW = house.backedUpW / batteries.length;
    stepInput.outsideC = weather.outsideC(atMs);
    for (let index = 0; index < batteries.length; index += 1) {
      const ofBattery = conditions.batteries[index];
      if (ofBattery === undefined) throw new Error(`battery ${index} is not of this site`);
      const leg = onL1[index] ? house.l1 : house.l2;
      stepInput.houseLegW = leg.impedanceW + leg.powerW;
      batteries[index]?.step(stepInput, ofBattery);
    }
  }

  function flow(atMs: number): void {
    const { conditions } = world;
    loads.solarW = world.solarW;
    loads.conditions = conditions;
    if (world.gridPresent) {
      world.sourceV = utility.sourceV(atMs) + conditions.service.sourceShiftV;
      const stable = circuit.solve(world.sourceV, loads);
      if (!stable) for (const battery of batteries) battery.trip(atMs);
    } else {
      world.sourceV = 0;
      circuit.solveIsland(loads);
    }
    world.neutralA = circuit.neutralA;
  }

  return advance;
}

function stormAt(alerts: readonly SiteAlert[], atMs: number): World['storm'] {
  for (const { sentMs, onsetMs, expiresMs } of alerts) {
    if (atMs >= sentMs + PREPARATION_REACTION_MS && atMs < expiresMs) {
      return atMs < onsetMs ? 'preparing' : 'during';
    }
  }
  return 'none';
}
