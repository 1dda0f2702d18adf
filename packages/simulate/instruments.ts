// What the meter and the batteries make of the true home: gain errors within their class, noise, rounding, and
// clamps that may be in the wrong place.

import { clampPowerW } from '@afterwatt/electrical';
import {
  type BatteryReading,
  emptyBatteryReading,
  emptyMeterReading,
  type MeterReading,
  type Site,
} from '@afterwatt/wire';
import { randomStream } from './random.ts';
import type { World } from './world.ts';

const HOUR_MS = 3_600_000;
const VOLT_NOISE_V = 0.04;
/** Of a current and of a power: a part of it, and what is there without load. */
const CURRENT_NOISE = { share: 0.0015, floorA: 0.006 };
const POWER_NOISE = { share: 0.0015, floorW: 0.7 };

/** Fills in what the device measures; who, when and how it is sent is not the instrument's business. */
export type MeterInstrument = (world: World, deviceAtMs: number) => MeterReading;
export type BatteryInstrument = (world: World, deviceAtMs: number) => BatteryReading;

export function startMeter(seed: string, site: Site): MeterInstrument {
  const random = randomStream(seed, site.meter.device, 'gains');
  const noise = randomStream(seed, site.meter.device, 'noise');
  const accuracy = site.meter.accuracyPct / 100;
  // Voltage and current error together stay within the class.
  const gain = (part: number): number => 1 + random.between(-part, part) * accuracy;
  const voltGain = { L1: gain(0.2), L2: gain(0.2) };
  const ampGain = { L1: gain(0.7), L2: gain(0.7) };
  const inletGains = [gain(0.7), gain(0.7)] as const;
  let importWh = random.between(1e5, 2e7);
  let exportWh = site.service.otherGeneration ? random.between(1e5, 1e7) : random.between(0, 5e4);
  let lastMs: number | undefined;

  return (world, deviceAtMs) => {
    const reading = emptyMeterReading(site.meter.device, deviceAtMs);
    const { clamps } = world.conditions;
    const legs = { L1: world.l1, L2: world.l2 };

    for (const channel of ['L1', 'L2'] as const) {
      const own = legs[channel];
      const clamp = channel === 'L1' ? clamps.l1 : clamps.l2;
      const clamped = legs[clamp.onLeg];
      const gainOfChannel = ampGain[channel] * (channel === 'L1' ? clamps.l1Gain : clamps.l2Gain);
      const live = clamped.voltageV > 0;
      const through = (quantity: number): number =>
        live ? clampPowerW(channel, clamp, quantity, own.voltageV, clamped.voltageV) : 0;
      const volts = read(own.voltageV * voltGain[channel] + noise.normal() * VOLT_NOISE_V);
      const amps = noisyA(clamped.currentA * gainOfChannel);
      const watts = noisyW(through(clamped.powerW) * gainOfChannel * voltGain[channel]);
      const vars = noisyW(through(clamped.reactiveVar) * gainOfChannel * voltGain[channel]);
      if (channel === 'L1') {
        reading.l1V = rounded(volts, 10);
        reading.l1A = rounded(amps, 100);
        reading.l1W = Math.round(watts);
        reading.l1Var = Math.round(vars);
      } else {
        reading.l2V = rounded(volts, 10);
        reading.l2A = rounded(amps, 100);
        reading.l2W = Math.round(watts);
        reading.l2Var = Math.round(vars);
      }
    }

    for (const [index, inlet] of site.inlets.entries()) {
      const channel = inlet.number - 1 === 0 ? 0 : 1;
      const clampedIndex = clamps.inletsSwapped ? 1 - index : index;
      const clamped = world.inlets[clampedIndex];
      const clampedLeg = site.inlets[clampedIndex]?.leg;
      if (clamped === undefined || clampedLeg === undefined) continue;
      const live = clamped.voltageV > 0;
      const clamp = { onLeg: clampedLeg, reversed: clamps.inletReversed[channel] };
      const inletGain = inletGains[channel] * clamps.inletGain[channel];
      const own = legs[inlet.leg];
      const trueW = live ? clampPowerW(inlet.leg, clamp, clamped.powerW, own.voltageV, clamped.voltageV) : 0;
      const amps = rounded(noisyA(clamped.currentA * inletGain), 100);
      const watts = Math.round(noisyW(trueW * inletGain * voltGain[inlet.leg]));
      if (channel === 0) {
        reading.inlet1A = amps;
        reading.inlet1W = watts;
      } else {
        reading.inlet2A = amps;
        reading.inlet2W = watts;
      }
    }

    reading.frequencyHz = world.gridPresent ? rounded(world.frequencyHz, 100) : 0;
    count(reading, world.atMs);
    return reading;
  };

  function count(reading: MeterReading, atMs: number): void {
    const energyWh = (((reading.l1W ?? 0) + (reading.l2W ?? 0)) * (atMs - (lastMs ?? atMs))) / HOUR_MS;
    lastMs = atMs;
    if (energyWh > 0) importWh += energyWh;
    else exportWh -= energyWh;
    reading.importWh = Math.floor(importWh);
    reading.exportWh = Math.floor(exportWh);
  }

  function noisyA(amps: number): number {
    return read(amps + noise.normal() * (CURRENT_NOISE.floorA + CURRENT_NOISE.share * amps));
  }

  function noisyW(watts: number): number {
    return watts + noise.normal() * (POWER_NOISE.floorW + POWER_NOISE.share * Math.abs(watts));
  }
}

/** @param index of the battery in `site.batteries` */
export function startBatteryInstrument(seed: string, site: Site, index: number): BatteryInstrument {
  const battery = site.batteries[index];
  if (battery === undefined) throw new RangeError(`${site.id} has no battery ${index}`);
  const random = randomStream(seed, battery.device, 'gains');
  const noise = randomStream(seed, battery.device, 'readings');
  const powerGain = 1 + random.between(-0.01, 0.01);
  const voltGain = 1 + random.between(-0.004, 0.004);
  const socSteps = random.chance(0.2) ? 1 : 10;

  return (world, deviceAtMs) => {
    const reading = emptyBatteryReading(battery.device, deviceAtMs);
    const unit = world.batteries[index];
    const conditions = world.conditions.batteries[index];
    if (unit === undefined || conditions === undefined) throw new RangeError(`no battery ${index}`);
    const { point, parts } = unit;
    const watts = point.acW * powerGain + noise.normal() * (0.6 + 0.001 * Math.abs(point.acW));
    const voltAmps = Math.hypot(point.acW, point.acVar) * powerGain;
    reading.socPct = rounded(point.socPct, socSteps);
    reading.acV = rounded(read(point.acV * voltGain + noise.normal() * 0.06), 10);
    reading.acA = point.acV > 0 ? rounded(read(voltAmps / point.acV + noise.normal() * 0.008), 100) : 0;
    reading.acW = Math.round(watts);
    reading.tempC = rounded(point.tempC + noise.normal() * 0.06, 10);
    reading.gridPresent = point.gridPresent;
    reading.reservePct = conditions.reservePct;
    reading.limitW = conditions.chargeW === null ? parts.limitW : Math.round(conditions.chargeW);
    reading.stormPreparing = point.stormPreparing;
    return reading;
  };
}

/** Magnitudes are not negative. */
function read(value: number): number {
  return Math.max(value, 0);
}

/** To whole steps of 1/`steps`. */
function rounded(value: number, steps: number): number {
  return Math.round(value * steps) / steps;
}
