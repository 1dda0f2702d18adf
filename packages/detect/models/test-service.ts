// A repeatable service for tests, written out from Kirchhoff's laws: resistive loads that switch at random on
// either leg and across both, a transformer behind service and neutral resistance of the test's choosing, a
// battery behind its circuit, and a meter that rounds, is noisy and loses readings. Not part of the product.

import {
  type BatteryReading,
  emptyBatteryReading,
  emptyMeterReading,
  type MeterReading,
  type Site,
} from '@afterwatt/wire';
import { noise, START_MS } from '../test-support.ts';
import { type Load, uniform, usualLoads } from './wiring/test-house.ts';

export interface ServiceOptions {
  readonly site: Site;
  readonly seed: number;
  readonly fromS?: number;
  readonly toS: number;
  readonly sourceV?: (second: number) => number;
  readonly serviceOhm?: number;
  readonly neutralOhm?: (second: number) => number;
  /** Loads besides; default a usual house. */
  readonly loads?: readonly Load[];
  /** Further resistive load on each leg and across both, W at 120 V (240 V). */
  readonly extraW?: (second: number) => readonly [number, number, number];
  /** Battery current, A, + = charging; its leg and circuit are those of its inlet. */
  readonly batteryA?: (second: number) => number;
  /** Loop resistance of the inlet circuit, ohm. */
  readonly circuitOhm?: (second: number) => number;
  /** What each service channel shows of the true legs' powers: [of leg 1, of leg 2]; default in place. */
  readonly clamps?: readonly [readonly [number, number], readonly [number, number]];
  readonly voltNoiseV?: number;
  /** Gain errors of the meter's voltages and of the battery's. */
  readonly voltGains?: readonly [number, number, number];
  readonly lost?: number;
  readonly meterPeriodS?: number;
}

/** The readings of meter and battery, in the order of device time. */
export function* serviceSeries(options: ServiceOptions): Generator<MeterReading | BatteryReading> {
  const { site, seed, toS, fromS = 0, lost = 0, voltNoiseV = 0.05 } = options;
  const random = uniform(seed);
  const draw = noise(seed + 1);
  const [gain1, gain2, gainBattery] = options.voltGains ?? [1, 1, 1];
  const clamps = options.clamps ?? [
    [1, 0],
    [0, 1],
  ];
  const meterPeriodS = options.meterPeriodS ?? site.meter.periodSeconds;
  const battery = site.batteries[0];
  const loads = startLoads(options.loads ?? usualLoads(seed), random, fromS);
  const seenV = (volts: number, gain: number) => Math.round(10 * (volts * gain + voltNoiseV * draw())) / 10;
  let batteryS = fromS + 10 * random();

  for (let second = fromS; second < toS; second += meterPeriodS) {
    const point = solve(second);
    const meter = emptyMeterReading(site.meter.device, START_MS + second * 1000);
    meter.l1V = seenV(point.v1, gain1);
    meter.l2V = seenV(point.v2, gain2);
    const shown = (channel: 0 | 1) => {
      const [of1, of2] = clamps[channel];
      return Math.round((of1 * point.i1 + of2 * point.i2) * (channel === 0 ? point.v1 : point.v2) + draw());
    };
    meter.l1W = shown(0);
    meter.l2W = shown(1);
    const amps = options.batteryA?.(second) ?? 0;
    meter.inlet1A = Math.round(100 * Math.abs(amps)) / 100;
    meter.inlet1W = Math.round(amps * (site.inlets[0]?.leg === 'L2' ? point.v2 : point.v1));
    if (random() >= lost) yield meter;
    while (battery !== undefined && batteryS < second + meterPeriodS) {
      if (random() >= lost && options.batteryA !== undefined) yield batteryReading(batteryS);
      batteryS += battery.periodSeconds;
    }
  }

  function batteryReading(second: number): BatteryReading {
    const point = solve(second);
    const amps = options.batteryA?.(second) ?? 0;
    const panelV = site.inlets[0]?.leg === 'L2' ? point.v2 : point.v1;
    const reading = emptyBatteryReading(battery?.device ?? '', START_MS + Math.round(second * 1000));
    reading.acV = seenV(panelV - amps * (options.circuitOhm?.(second) ?? 0), gainBattery);
    reading.acA = Math.round(100 * Math.abs(amps)) / 100;
    reading.acW = Math.round(amps * reading.acV);
    reading.gridPresent = true;
    reading.socPct = 50;
    return reading;
  }

  /** Nodal equations of the two legs, solved by Cramer's rule. */
  function solve(second: number): { v1: number; v2: number; i1: number; i2: number } {
    const watts = loads(second);
    const extra = options.extraW?.(second) ?? [0, 0, 0];
    const g1 = (watts[0] + extra[0]) / 120 ** 2;
    const g2 = (watts[1] + extra[1]) / 120 ** 2;
    const g12 = (watts[2] + extra[2]) / 240 ** 2;
    const amps = options.batteryA?.(second) ?? 0;
    const b1 = site.inlets[0]?.leg === 'L2' ? 0 : amps;
    const b2 = amps - b1;
    const sourceV = options.sourceV?.(second) ?? 121 + 0.8 * Math.sin(second / 7000) + 0.05 * draw();
    const zs = options.serviceOhm ?? 0.03;
    const zn = options.neutralOhm?.(second) ?? 0.03;
    const a11 = 1 + (zs + zn) * (g1 + g12) - zn * g12;
    const a12 = (zs + zn) * g12 - zn * (g2 + g12);
    const a21 = (zs + zn) * g12 - zn * (g1 + g12);
    const a22 = 1 + (zs + zn) * (g2 + g12) - zn * g12;
    const r1 = sourceV - (zs + zn) * b1 + zn * b2;
    const r2 = sourceV - (zs + zn) * b2 + zn * b1;
    const determinant = a11 * a22 - a12 * a21;
    const v1 = (r1 * a22 - a12 * r2) / determinant;
    const v2 = (a11 * r2 - a21 * r1) / determinant;
    return { v1, v2, i1: g1 * v1 + g12 * (v1 + v2) + b1, i2: g2 * v2 + g12 * (v1 + v2) + b2 };
  }
}

/** Watts on leg 1, on leg 2 and across both at a time that only moves on. */
function startLoads(loads: readonly Load[], random: () => number, fromS: number) {
  const exponential = (mean: number) => -mean * Math.log(1 - random());
  const items = loads.map((load) => ({ load, on: false, nextS: fromS + exponential(load.offS) }));
  const base = [60 + 150 * random(), 40 + 150 * random()] as const;
  return (second: number): readonly [number, number, number] => {
    let l1W: number = base[0];
    let l2W: number = base[1];
    let lineW = 0;
    for (const item of items) {
      while (item.nextS <= second) {
        item.on = !item.on;
        item.nextS += 1 + exponential(item.on ? item.load.onS : item.load.offS);
      }
      if (!item.on) continue;
      const common = Math.min(item.load.legsW[0], item.load.legsW[1]);
      l1W += item.load.legsW[0] - common;
      l2W += item.load.legsW[1] - common;
      lineW += 2 * common;
    }
    return [l1W, l2W, lineW];
  };
}
