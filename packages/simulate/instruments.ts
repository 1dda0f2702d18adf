// What the meter and the batteries make of the true home: gain errors within their class, noise, rounding, and
// clamps that may be in the wrong place.

import { clampSign, type OperatingPoint } from '@afterwatt/electrical';
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

interface Gains {
  readonly volt: number;
  readonly amp: number;
}

export function startMeter(seed: string, site: Site): MeterInstrument {
  const random = randomStream(seed, site.meter.device, 'gains');
  const noise = randomStream(seed, site.meter.device, 'noise');
  const accuracy = site.meter.accuracyPct / 100;
  // Voltage and current error together stay within the class.
  const gain = (part: number): number => 1 + random.between(-part, part) * accuracy;
  const voltGains = [gain(0.2), gain(0.2)] as const;
  const ampGains = [gain(0.7), gain(0.7)] as const;
  const l1Gains = { volt: voltGains[0], amp: ampGains[0] };
  const l2Gains = { volt: voltGains[1], amp: ampGains[1] };
  const inletGains = [gain(0.7), gain(0.7)] as const;
  // Numbers that change with every reading stand in an object: V8 keeps those of a closure in a new box each time.
  const counted = {
    importWh: random.between(1e5, 2e7),
    exportWh: site.service.otherGeneration ? random.between(1e5, 1e7) : random.between(0, 5e4),
    lastMs: Number.NaN,
  };

  const seen = { volts: 0, amps: 0, watts: 0, vars: 0 };

  return (world, deviceAtMs) => {
    const reading = emptyMeterReading(site.meter.device, deviceAtMs);
    const { l1, l2, inlets, conditions } = world;
    const { clamps } = conditions;

    readLeg(l1, l1Gains, clamps.l1.onLeg === 'L1' ? l1 : l2, clampSign('L1', clamps.l1) * clamps.l1Gain);
    reading.l1V = seen.volts;
    reading.l1A = seen.amps;
    reading.l1W = seen.watts;
    reading.l1Var = seen.vars;
    readLeg(l2, l2Gains, clamps.l2.onLeg === 'L1' ? l1 : l2, clampSign('L2', clamps.l2) * clamps.l2Gain);
    reading.l2V = seen.volts;
    reading.l2A = seen.amps;
    reading.l2W = seen.watts;
    reading.l2Var = seen.vars;

    for (let index = 0; index < site.inlets.length; index += 1) {
      const inlet = site.inlets[index];
      const clampedIndex = clamps.inletsSwapped ? 1 - index : index;
      const clamped = inlets[clampedIndex];
      const onLeg = site.inlets[clampedIndex]?.leg;
      if (inlet === undefined || clamped === undefined || onLeg === undefined) continue;
      const channel = inlet.number === 1 ? 0 : 1;
      const own = inlet.leg === 'L1' ? l1 : l2;
      const gainOfChannel = inletGains[channel] * clamps.inletGain[channel];
      const sign = clampSign(inlet.leg, { onLeg, reversed: clamps.inletReversed[channel] });
      const voltGain = inlet.leg === 'L1' ? l1Gains.volt : l2Gains.volt;
      const perWatt = sign * gainOfChannel * voltGain * voltageRatio(own, clamped);
      const amps = rounded(noisyA(clamped.currentA * gainOfChannel), 100);
      const watts = Math.round(noisyW(clamped.powerW * perWatt));
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

  /** Leaves in `seen` what the channel of a leg shows; `clampGain` is negative where the clamp turns the power. */
  function readLeg(own: OperatingPoint, gains: Gains, clamped: OperatingPoint, clampGain: number): void {
    const gainOfChannel = gains.amp * clampGain;
    const perWatt = gainOfChannel * gains.volt * voltageRatio(own, clamped);
    seen.volts = rounded(read(own.voltageV * gains.volt + noise.normal() * VOLT_NOISE_V), 10);
    seen.amps = rounded(noisyA(clamped.currentA * Math.abs(gainOfChannel)), 100);
    seen.watts = Math.round(noisyW(clamped.powerW * perWatt));
    seen.vars = Math.round(noisyW(clamped.reactiveVar * perWatt));
  }

  function count(reading: MeterReading, atMs: number): void {
    const sinceMs = Number.isNaN(counted.lastMs) ? 0 : atMs - counted.lastMs;
    const energyWh = (((reading.l1W ?? 0) + (reading.l2W ?? 0)) * sinceMs) / HOUR_MS;
    counted.lastMs = atMs;
    if (energyWh > 0) counted.importWh += energyWh;
    else counted.exportWh -= energyWh;
    reading.importWh = Math.floor(counted.importWh);
    reading.exportWh = Math.floor(counted.exportWh);
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
    const voltAmps = Math.sqrt(point.acW ** 2 + point.acVar ** 2) * powerGain;
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

/** A channel multiplies the current of its clamp with the voltage of its own leg. */
function voltageRatio(own: OperatingPoint, clamped: OperatingPoint): number {
  if (own === clamped) return 1;
  return clamped.voltageV > 0 ? own.voltageV / clamped.voltageV : 0;
}

/** Magnitudes are not negative. */
function read(value: number): number {
  return Math.max(value, 0);
}

/** To whole steps of 1/`steps`. */
function rounded(value: number, steps: number): number {
  return Math.round(value * steps) / steps;
}
