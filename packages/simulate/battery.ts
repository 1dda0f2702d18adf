// One battery with its charger and inverter: what it takes from or feeds into its AC port, and what becomes of
// its charge and its temperature. Efficiencies are those of household units (NREL ATB: 85 % there and back with
// everything; the parts from memory).

import type { TariffCalendar } from '@afterwatt/tariff';
import type { Site, SiteBattery } from '@afterwatt/wire';
import { type ScheduleView, startSchedule } from './battery-schedule.ts';
import type { BatteryConditions } from './conditions.ts';
import { randomStream } from './random.ts';

const HOUR_MS = 3_600_000;
/** A unit waits before it runs with the grid again (IEEE 1547: enter service after up to 300 s). */
const RECONNECT_MS = 60_000;
/** Outside of these it leaves the grid (IEEE 1547: must trip within 2 s), as shares of nominal. */
const TRIP_LOW_PU = 0.88;
const TRIP_HIGH_PU = 1.1;
/** Below this it protects its cells and feeds no more, per cent. */
const CUT_OFF_PCT = 3;
const THERMAL_TIME_MS = 2 * HOUR_MS;
const RISE_C_PER_W = 0.13;

export interface BatteryPoint {
  socPct: number;
  /** At the AC port, positive = charging; in an outage what the backed-up circuit and the panel are fed. */
  acW: number;
  acVar: number;
  acV: number;
  tempC: number;
  gridPresent: boolean;
  stormPreparing: boolean;
  /** Energy into and out of the AC port since the present tariff period began. */
  periodInWh: number;
  periodOutWh: number;
}

export interface BatteryParts {
  readonly capacityWh: number;
  readonly chargeEfficiency: number;
  readonly feedEfficiency: number;
  /** Taken from the grid for its electronics, or from the cells in an outage, W. */
  readonly standbyW: number;
  /** The charging limit set in the unit, W. */
  readonly limitW: number;
  readonly rampWPerS: number;
}

export interface StepInput extends ScheduleView {
  readonly gridPresent: boolean;
  /** What the backed-up circuit takes from this unit while the grid is away, W. */
  readonly backupW: number;
  readonly outsideC: number;
}

export interface Battery {
  readonly parts: BatteryParts;
  readonly point: BatteryPoint;
  /** Time passes to `input.atMs`. */
  step(input: StepInput, conditions: BatteryConditions): void;
  /** Leaves the grid at once, for as long as a unit waits before it connects again. */
  trip(atMs: number): void;
}

export function startBattery(
  seed: string,
  site: Site,
  battery: SiteBattery,
  calendar: TariffCalendar | null,
): Battery {
  const random = randomStream(seed, battery.device);
  const noise = randomStream(seed, battery.device, 'noise');
  const limitW = chargingLimitW(site, battery);
  const parts: BatteryParts = {
    capacityWh: battery.capacityWh * random.between(0.95, 1.02),
    chargeEfficiency: random.between(0.935, 0.955),
    feedEfficiency: random.between(0.93, 0.95),
    standbyW: random.between(3, 8),
    limitW,
    rampWPerS: random.logNormal(300, 0.5),
  };
  const settings = {
    chargeW: limitW * random.between(0.97, 0.995),
    feedW: Math.min(limitW, 0.42 * battery.capacityWh, 1350) * random.between(0.6, 1),
    followsLoad: random.chance(0.4),
    capacityWh: battery.capacityWh,
  };
  const schedule = startSchedule(settings, site.tariff, calendar);
  const point: BatteryPoint = {
    socPct: 60,
    acW: 0,
    acVar: 0,
    acV: site.service.nominalVolts,
    tempC: 22,
    gridPresent: true,
    stormPreparing: false,
    periodInWh: 0,
    periodOutWh: 0,
  };
  // Numbers that change with every step stand in an object: V8 keeps those of a closure in a new box each time.
  const state = {
    lastMs: Number.NaN,
    powerW: 0,
    wander: 0,
    gridSinceMs: Number.NEGATIVE_INFINITY,
    periodStartMs: 0,
  };

  function step(input: StepInput, conditions: BatteryConditions): void {
    const { atMs, gridPresent } = input;
    const dtMs = Number.isNaN(state.lastMs) ? 0 : atMs - state.lastMs;
    state.lastMs = atMs;
    const voltagePu = point.acV / site.service.nominalVolts;
    const tripped = gridPresent && point.gridPresent && (voltagePu < TRIP_LOW_PU || voltagePu > TRIP_HIGH_PU);
    if (tripped) trip(atMs);
    else if (gridPresent && !point.gridPresent) state.gridSinceMs = atMs;
    point.gridPresent = gridPresent;
    point.stormPreparing = gridPresent && input.storm === 'preparing';
    const energyWh = gridPresent ? runWithGrid(input, conditions, dtMs) : runIsland(input, conditions, dtMs);
    store(energyWh, conditions);
    countPeriod(energyWh, atMs);
    warm(input.outsideC, conditions, dtMs);
  }

  function trip(atMs: number): void {
    state.gridSinceMs = atMs;
    state.powerW = 0;
    point.acW = 0;
    point.acVar = 0;
  }

  /** Energy through the AC port beyond standby, Wh. */
  function runWithGrid(input: StepInput, conditions: BatteryConditions, dtMs: number): number {
    const waiting = input.atMs - state.gridSinceMs < RECONNECT_MS;
    let wantedW = waiting ? 0 : schedule.wantedW(point.socPct, input, conditions);
    if (wantedW !== 0) {
      state.wander = 0.9 * state.wander + 0.0025 * noise.normal();
      wantedW *= 1 + state.wander;
    }
    const beforeW = state.powerW;
    const rampMs = Math.min(dtMs, (1000 * Math.abs(wantedW - beforeW)) / parts.rampWPerS);
    const powerW = beforeW + Math.sign(wantedW - beforeW) * (rampMs / 1000) * parts.rampWPerS;
    state.powerW = powerW;
    const active = Math.abs(powerW) > 1;
    point.acW = powerW + parts.standbyW;
    point.acVar = active ? 0.05 * powerW : 6;
    return (((beforeW + powerW) / 2) * rampMs + powerW * (dtMs - rampMs)) / HOUR_MS;
  }

  function runIsland({ backupW }: StepInput, conditions: BatteryConditions, dtMs: number): number {
    state.powerW = 0;
    const feedsW = point.socPct > CUT_OFF_PCT ? backupW + conditions.backupExtraW + conditions.backfeedW : 0;
    point.acW = -feedsW;
    point.acVar = 0.1 * feedsW;
    const standbyW = point.socPct > CUT_OFF_PCT ? parts.standbyW : 0;
    return (-(feedsW + standbyW) * dtMs) / HOUR_MS;
  }

  function store(energyWh: number, { capacityShare, efficiencyShare }: BatteryConditions): void {
    const storedWh =
      energyWh > 0
        ? energyWh * parts.chargeEfficiency * efficiencyShare
        : energyWh / (parts.feedEfficiency * efficiencyShare);
    const socPct = point.socPct + (100 * storedWh) / (parts.capacityWh * capacityShare);
    point.socPct = Math.min(100, Math.max(0, socPct));
  }

  function countPeriod(energyWh: number, atMs: number): void {
    const startMs = calendar?.periodAt(atMs).startMs ?? 0;
    if (startMs !== state.periodStartMs) {
      state.periodStartMs = startMs;
      point.periodInWh = 0;
      point.periodOutWh = 0;
    }
    if (energyWh > 0) point.periodInWh += energyWh;
    else point.periodOutWh -= energyWh;
  }

  function warm(outsideC: number, { tempShiftC }: BatteryConditions, dtMs: number): void {
    const lossW =
      Math.abs(state.powerW) * (1 - (parts.chargeEfficiency + parts.feedEfficiency) / 2) + parts.standbyW;
    const towardsC = 20 + 0.5 * (outsideC - 18) + RISE_C_PER_W * lossW + tempShiftC;
    const timeMs = tempShiftC === 0 ? THERMAL_TIME_MS : THERMAL_TIME_MS / 8;
    // Trapezoidal rule: within 4 parts in 10 000 of the exponential for a step of a minute.
    point.tempC += ((towardsC - point.tempC) * dtMs) / (timeMs + dtMs / 2);
  }

  return { parts, point, step, trip };
}

/**
 * What an installer sets: no more than the site says, no more than this unit's part of what its circuit may
 * carry, and no more than 80 % of the breaker where charging takes three hours or more (NEC 210.20(A)).
 */
function chargingLimitW(site: Site, battery: SiteBattery): number {
  const inlet = site.inlets.find(({ number }) => number === battery.inlet);
  if (inlet === undefined)
    throw new Error(`${battery.device} is on inlet ${battery.inlet}, which ${site.id} lacks`);
  const volts = site.service.nominalVolts;
  const sharers = site.batteries.filter((other) => {
    const its = site.inlets.find(({ number }) => number === other.inlet);
    return its === inlet || (inlet.breaker !== null && its?.breaker === inlet.breaker);
  }).length;
  const shareW =
    (0.92 * Math.min(inlet.capWatts, inlet.capAmps * volts, inlet.breakerAmps * volts)) / sharers;
  const limitW = Math.min(battery.chargeLimitWatts, shareW);
  const hours = (0.9 * battery.capacityWh) / limitW;
  const continuousW = (0.76 * inlet.breakerAmps * volts) / sharers;
  return Math.floor(hours > 2 ? Math.min(limitW, continuousW) : limitW);
}
