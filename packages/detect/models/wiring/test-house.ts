// A repeatable house for the wiring tests, written out from the physics: loads that switch at random on either
// leg and across both, a service with resistance, batteries that do what they are told, and clamps that are
// fitted as the test says. Not part of the product.

import {
  type BatteryReading,
  emptyBatteryReading,
  emptyMeterReading,
  type MeterReading,
  type Site,
} from '@afterwatt/wire';
import { START_MS } from '../../test-support.ts';

const HOUR_S = 3600;
const DAY_S = 24 * HOUR_S;
const SERVICE_OHM = 0.03;
const NEUTRAL_OHM = 0.03;

/** How one channel's clamp is fitted: on which conductor, with what gain (-1: reversed, 0: dead, 2: other ratio). */
export interface Fitted {
  readonly on: number;
  readonly gain: number;
}
export const IN_PLACE: readonly Fitted[] = [
  { on: 0, gain: 1 },
  { on: 1, gain: 1 },
];

export interface HouseOptions {
  readonly seed: number;
  readonly site: Site;
  readonly fromS?: number;
  readonly toS: number;
  /** Power of each battery at a true time, W, + = charging, given the house's true leg powers. */
  readonly batteryW: (second: number, battery: number, house: readonly number[]) => number;
  /** Clamps at a true time; default in place. */
  readonly service?: (second: number) => readonly Fitted[];
  readonly inlets?: (second: number) => readonly Fitted[];
  /** How far the battery's clock is ahead of the meter's, s. */
  readonly offsetS?: number | ((second: number) => number);
  readonly meterPeriodS?: number;
  readonly batteryPeriodS?: number;
  /** Share of readings that are lost. */
  readonly lost?: number;
  /** Generation on each leg, W, at a true time. */
  readonly generationW?: (second: number) => readonly number[];
  readonly outage?: (second: number) => boolean;
  /** Loads besides; default a usual house. */
  readonly loads?: readonly Load[];
  /** Time the battery takes from one level to the next, s. */
  readonly rampS?: number;
}

export interface Load {
  readonly legsW: readonly [number, number];
  readonly onS: number;
  readonly offS: number;
  /** Runs only while people are awake. */
  readonly byDay?: boolean;
  /** Switches on at this second of every day, for onS, instead of at random. */
  readonly dailyAtS?: number;
}

/** Repeatable uniform numbers in [0, 1) (mulberry32). */
export function uniform(seed: number): () => number {
  let state = seed | 0;
  return () => {
    state = (state + 0x6d2b79f5) | 0;
    let t = Math.imul(state ^ (state >>> 15), 1 | state);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
}

/** The loads of a usual house, another for each seed. */
export function usualLoads(seed: number): Load[] {
  const random = uniform(seed);
  const between = (low: number, high: number) => low + (high - low) * random();
  const loads: Load[] = [];
  for (const leg of [0, 1]) {
    const on = (watts: number): [number, number] => (leg === 0 ? [watts, 0] : [0, watts]);
    loads.push({ legsW: on(between(100, 180)), onS: between(900, 1500), offS: between(1800, 3000) });
    loads.push({ legsW: on(between(40, 90)), onS: between(3000, 9000), offS: between(3000, 9000) });
    const others = 4 + Math.floor(5 * random());
    for (let i = 0; i < others; i++) {
      const watts = random() < 0.3 ? between(900, 1800) : between(30, 500);
      loads.push({
        legsW: on(watts),
        onS: watts > 800 ? between(60, 900) : between(300, 5000),
        offS: between(2000, 30_000),
        byDay: true,
      });
    }
  }
  loads.push({ legsW: [2250, 2250], onS: between(600, 1500), offS: between(15_000, 40_000) });
  if (random() < 0.7)
    loads.push({ legsW: [1750, 1750], onS: between(500, 1000), offS: between(1000, 4000), byDay: true });
  if (random() < 0.5)
    loads.push({
      legsW: [2700, 3000],
      onS: between(1200, 2400),
      offS: between(80_000, 200_000),
      byDay: true,
    });
  return loads;
}

/** The readings of a house, in the order of device time. */
export function* houseSeries(options: HouseOptions): Generator<MeterReading | BatteryReading> {
  const { site, toS } = options;
  const fromS = options.fromS ?? 0;
  const random = uniform(options.seed);
  const meterPeriodS = options.meterPeriodS ?? site.meter.periodSeconds;
  const house = startHouse(options, random, fromS);
  const ramps = site.batteries.map(() => Number.NaN);
  let meterS = fromS + random() * meterPeriodS;
  const batteryS = site.batteries.map(
    (battery) => fromS + random() * (options.batteryPeriodS ?? battery.periodSeconds),
  );
  const batteryW = site.batteries.map(() => 0);
  const legW: [number, number] = [0, 0];
  let reachedS = fromS;
  const offsetS = (s: number) =>
    typeof options.offsetS === 'function' ? options.offsetS(s) : (options.offsetS ?? 0);
  const held: (MeterReading | BatteryReading)[] = [];

  function advance(toSecond: number): void {
    house.advance(toSecond);
    const elapsedS = toSecond - reachedS;
    reachedS = toSecond;
    site.batteries.forEach((_, i) => {
      const wantedW = options.batteryW(toSecond, i, house.legW);
      const nowW = Number.isNaN(ramps[i]) ? wantedW : (ramps[i] ?? 0);
      const mostW =
        options.rampS === undefined ? Number.POSITIVE_INFINITY : (1500 * elapsedS) / options.rampS;
      ramps[i] = nowW + Math.max(-mostW, Math.min(mostW, wantedW - nowW));
      batteryW[i] = ramps[i] ?? 0;
    });
  }

  while (true) {
    const nextBattery = batteryS.length > 0 ? Math.min(...batteryS) : Number.POSITIVE_INFINITY;
    const second = Math.min(meterS, nextBattery);
    if (second >= toS) break;
    advance(second);
    if (second === meterS) {
      meterS += meterPeriodS * (0.98 + 0.04 * random());
      if (random() >= (options.lost ?? 0)) held.push(meterReading(second));
    } else {
      const i = batteryS.indexOf(second);
      batteryS[i] =
        second +
        (options.batteryPeriodS ?? site.batteries[i]?.periodSeconds ?? 10) * (0.98 + 0.04 * random());
      if (random() >= (options.lost ?? 0)) held.push(batteryReading(second, i));
    }
    held.sort((a, b) => a.at - b.at);
    while (held.length > 0 && (held[0]?.at ?? 0) < START_MS + (second - 70) * 1000) {
      const first = held.shift();
      if (first !== undefined) yield first;
    }
  }
  yield* held;

  function meterReading(second: number): MeterReading {
    const out = options.outage?.(second) ?? false;
    const generation = options.generationW?.(second) ?? [0, 0];
    const inletTrueW = site.inlets.map(({ number }) =>
      site.batteries.reduce(
        (sum, battery, i) => sum + (battery.inlet === number ? (batteryW[i] ?? 0) : 0),
        0,
      ),
    );
    for (const leg of [0, 1]) {
      const onLeg = site.inlets.reduce(
        (sum, inlet, i) => sum + ((inlet.leg === 'L1') === (leg === 0) ? (inletTrueW[i] ?? 0) : 0),
        0,
      );
      legW[leg] = out ? 0 : (house.legW[leg] ?? 0) + onLeg - (generation[leg] ?? 0);
    }
    const [i1, i2] = [legW[0] / 120, legW[1] / 120];
    const sourceV = 121 + 0.6 * Math.sin(second / 5000) + 0.05 * (random() - 0.5);
    const reading = emptyMeterReading('meter-1', START_MS + Math.round(second * 1000));
    reading.l1V = tenth(sourceV - i1 * SERVICE_OHM - (i1 - i2) * NEUTRAL_OHM + 0.05 * (random() - 0.5));
    reading.l2V = tenth(sourceV - i2 * SERVICE_OHM + (i1 - i2) * NEUTRAL_OHM + 0.05 * (random() - 0.5));
    const service = options.service?.(second) ?? IN_PLACE;
    // The other leg's current against this leg's voltage has its sign turned.
    const shown = service.map(({ on, gain }, channel) => gain * (on === channel ? 1 : -1) * (legW[on] ?? 0));
    reading.l1W = Math.round((shown[0] ?? 0) + 2 * (random() - 0.5));
    reading.l2W = Math.round((shown[1] ?? 0) + 2 * (random() - 0.5));
    reading.l1A = tenth(Math.abs(shown[0] ?? 0) / 118);
    reading.l2A = tenth(Math.abs(shown[1] ?? 0) / 118);
    const inlets = options.inlets?.(second) ?? IN_PLACE;
    const sameLeg = site.inlets[0]?.leg === site.inlets[1]?.leg;
    site.inlets.forEach((inlet, channel) => {
      const { on, gain } = inlets[channel] ?? { on: channel, gain: 1 };
      const sign = on === channel || sameLeg ? 1 : -1;
      const watts = Math.round(1.01 * gain * sign * (inletTrueW[on] ?? 0) + 2 * (random() - 0.5));
      if (inlet.number === 1) {
        reading.inlet1W = watts;
        reading.inlet1A = tenth(Math.abs(watts) / 119);
      } else {
        reading.inlet2W = watts;
        reading.inlet2A = tenth(Math.abs(watts) / 119);
      }
    });
    return reading;
  }

  function batteryReading(second: number, i: number): BatteryReading {
    const at = START_MS + Math.round((second + offsetS(second)) * 1000);
    const reading = emptyBatteryReading(site.batteries[i]?.device ?? '', at);
    const watts = batteryW[i] ?? 0;
    reading.acW = Math.round(watts * (1 + 0.01 * (random() - 0.5)));
    reading.acV = 120;
    reading.acA = tenth(Math.abs(watts) / 119);
    reading.gridPresent = !(options.outage?.(second) ?? false);
    reading.socPct = 50;
    return reading;
  }
}

interface House {
  readonly legW: [number, number];
  advance(second: number): void;
}

function startHouse(options: HouseOptions, random: () => number, fromS: number): House {
  const exponential = (mean: number) => -mean * Math.log(1 - random());
  const baseW = [60 + 150 * random(), 40 + 150 * random()];
  const drift = [0, 0];
  const loads = (options.loads ?? usualLoads(options.seed)).map((load) => ({
    load,
    on: false,
    nextS: fromS + (load.dailyAtS === undefined ? exponential(load.offS) : 0),
  }));
  const legW: [number, number] = [0, 0];
  return {
    legW,
    advance(second) {
      legW[0] = 0;
      legW[1] = 0;
      const hour = (second / HOUR_S) % 24;
      // START_MS is noon in the site's own time zone.
      const awake = hour < 11 || hour > 18.5;
      for (const item of loads) {
        const { load } = item;
        if (load.dailyAtS !== undefined) {
          const sinceS = (((second - load.dailyAtS) % DAY_S) + DAY_S) % DAY_S;
          item.on = sinceS < load.onS;
        } else {
          while (item.nextS <= second) {
            const asleep = load.byDay === true && !awake && !item.on;
            if (!asleep) item.on = !item.on;
            item.nextS += 1 + exponential(asleep ? 1800 : item.on ? load.onS : load.offS);
          }
        }
        if (!item.on) continue;
        legW[0] += load.legsW[0];
        legW[1] += load.legsW[1];
      }
      for (const leg of [0, 1]) {
        drift[leg] = 0.97 * (drift[leg] ?? 0) + 3 * (random() - 0.5);
        const standing = options.loads === undefined ? (baseW[leg] ?? 0) : 0;
        legW[leg] =
          (legW[leg] ?? 0) * (1 + 0.004 * (random() - 0.5)) +
          standing +
          (standing > 0 ? (drift[leg] ?? 0) : 0);
      }
    },
  };
}

function tenth(value: number): number {
  return Math.round(10 * value) / 10;
}
