// A load pulls its own leg's voltage down and, through the neutral, the other's up: with source E, service
// impedance Zs and neutral impedance Zn, v1 - v2 = -(i1 - i2)(Zs + 2 Zn), whatever the grid does to both. So a
// load on one leg alone tells where the arrow of that leg's clamp points, without any battery: v1 - v2 falls
// when i1 rises. (Kirchhoff's voltage law on the two halves of a 120/240 V service; resistive loads.)
//
// Voltages are rounded and noisy, so each load says little, and nothing until a usual slope is known.

import type { MeterReading } from '@afterwatt/wire';
import { z } from 'zod';
import type { ClampState } from './arrangement.ts';
import { type ClampPair, learn, learnJointly } from './clamp-pair.ts';
import { NO_SIGNAL_W } from './service-sign.ts';
import { learnFromStiffness, SLOPES, usualOhm } from './stiffness-evidence.ts';
import { learnFromUnseenLoad, startUnseenLoads, unseenLoadsSchema } from './unseen-load-evidence.ts';

const LEAST_STEP_W = 400;
/** Below this a leg is dead (IEEE 1159-2009: an interruption is below 0.1 pu; common practice: half). */
const LEAST_VOLTS = 60;
/** The other leg must move by less than this share of the step, and neither by more when nothing switched. */
const ALONE = 0.15;
const STILL_W = 60;
/** A change is seen in the voltage when it should be so many times its own noise. */
const SEEN = 5;
const LEAST_NOISE_V = 0.05;
/** Until a change is seen the voltages may be rounded to anything; less than SAME_V is none. */
const COARSEST_V = 10;
const SAME_V = 0.001;
/** A voltage rounded to this or less shows usual loads (500 W over some 0.05 ohm of service). */
const FINE_V = 0.15;
/** A load that moves one leg's voltage by so much moves the other's by more than rounding. */
const ANSWERS_V = 0.5;
const LEAST_UNEXPLAINED_V = 0.3;
const UNEXPLAINED_NOISES = 8;
const NOISE_GAIN = 0.03;
/** The slope of one load differs from the usual one by so much (power factor, other loads at the same time). */
const SLOPE_SPREAD = 0.25;
const OUTLIER_SHARE = 0.05;
const OUTLIER_RANGE_V = 4;
const T3_PEAK = 0.36755;
/** Loads of one appliance share their errors. */
const WEIGHT = 0.4;
/** Among the loads that show on one leg alone: those whose other half a dead clamp would hide. */
const HIDDEN_SHARE = 0.15;
const LEAST_SPACING_MS = 60_000;

export const voltagesSchema = z.object({
  /** Usual size of changes of v1 - v2 while nothing switches, V. */
  noiseV: z.number(),
  /** The smallest change of v1 - v2 ever seen: what the voltages are rounded to, V. */
  resolutionV: z.number(),
  /** |change of v1 - v2| over |change of current| of the last loads on each leg alone, ohm, newest last. */
  slopesOhm: z.tuple([z.array(z.number()).max(SLOPES), z.array(z.number()).max(SLOPES)]),
  /** Slopes of each leg that the other leg has not been held against yet. */
  unused: z.tuple([z.number(), z.number()]),
  lastMs: z.number(),
  unseen: unseenLoadsSchema,
});
export type Voltages = z.infer<typeof voltagesSchema>;

/** Do the meter's voltages come in steps that are small beside what loads move them by? */
export function areFine({ resolutionV }: Voltages): boolean {
  return resolutionV <= FINE_V;
}

export function startVoltages(): Voltages {
  return {
    noiseV: 0.1,
    resolutionV: COARSEST_V,
    slopesOhm: [[], []],
    unused: [0, 0],
    lastMs: 0,
    unseen: startUnseenLoads(),
  };
}

/** Takes two consecutive meter readings; most say nothing, and teach the noise. */
export function learnFromVoltage(
  pair: ClampPair,
  voltages: Voltages,
  before: MeterReading,
  now: MeterReading,
): void {
  if (before.l1W === null || before.l2W === null || now.l1W === null || now.l2W === null) return;
  if (before.l1V === null || before.l2V === null || now.l1V === null || now.l2V === null) return;
  const l1W = now.l1W - before.l1W;
  const l2W = now.l2W - before.l2W;
  const differenceV = now.l1V - now.l2V - (before.l1V - before.l2V);
  learnResolution(voltages, Math.abs(differenceV));
  learnFromUnseenLoad(pair, voltages.unseen, before, now, noiseOf(voltages), voltages.slopesOhm);
  if (Math.abs(l1W) < STILL_W && Math.abs(l2W) < STILL_W) {
    const size = Math.abs(differenceV);
    const unexplained = size > Math.max(LEAST_UNEXPLAINED_V, UNEXPLAINED_NOISES * noiseOf(voltages));
    if (!unexplained) learnNoise(voltages, size);
    return;
  }
  if (isFrozen(before, now)) return;
  const channel: 0 | 1 = Math.abs(l1W) > Math.abs(l2W) ? 0 : 1;
  const theirs = channel === 0 ? 1 : 0;
  const own = channel === 0 ? l1W : l2W;
  const other = channel === 0 ? l2W : l1W;
  if (Math.abs(own) < LEAST_STEP_W || Math.abs(other) > ALONE * Math.abs(own)) return;
  const volts = channel === 0 ? now.l1V : now.l2V;
  if (volts < LEAST_VOLTS) return;
  const ampere = own / volts;
  // Falls with a load on L1, rises with one on L2.
  const droppedV = channel === 0 ? -differenceV : differenceV;
  const otherOhm = usualOhm(voltages.slopesOhm[theirs]);
  const slopeOhm = Math.abs(droppedV / ampere);
  const ohm = usualOhm(voltages.slopesOhm[channel]) ?? otherOhm;
  const isSeen = ohm !== null && ohm * Math.abs(ampere) >= SEEN * noiseOf(voltages);
  if (isSeen && isDue(voltages, now.at)) {
    learnFromLoad(pair, voltages, channel, ohm * ampere, droppedV, before, now);
    // Each load is a witness once: a leg that is seldom loaded is not asked again and again for what it was.
    if (otherOhm !== null && otherOhm > 0 && voltages.unused[theirs] > 0) {
      learnFromStiffness(pair, channel, slopeOhm / otherOhm, now.at);
      voltages.unused[theirs] -= 1;
    }
  }
  // What does not move the voltages at all may be half of a 240 V load whose other half a dead clamp hides, and what
  // moves them little one whose halves differ.
  const slopes = voltages.slopesOhm[channel];
  const isKnown = slopes.length === SLOPES;
  const hidden = isSilent(now, 1 - channel) && (isKnown || Math.abs(droppedV) < 2 * noiseOf(voltages));
  if (hidden) return;
  if (slopes.length === SLOPES) slopes.shift();
  slopes.push(Math.round(1e4 * slopeOhm) / 1e4);
  voltages.unused[channel] = Math.min(SLOPES, voltages.unused[channel] + 1);
}

/** One voltage answers well and the other not at all: the neutral's drop shows on both, so one of them is stuck. */
function isFrozen(before: MeterReading, now: MeterReading): boolean {
  const l1V = Math.abs((now.l1V ?? 0) - (before.l1V ?? 0));
  const l2V = Math.abs((now.l2V ?? 0) - (before.l2V ?? 0));
  return Math.min(l1V, l2V) < SAME_V && Math.max(l1V, l2V) >= ANSWERS_V;
}

/** A load on one leg alone: does the voltage answer as the arrow says? */
function learnFromLoad(
  pair: ClampPair,
  voltages: Voltages,
  channel: number,
  expectedV: number,
  droppedV: number,
  before: MeterReading,
  now: MeterReading,
): void {
  const spreadV = Math.hypot(2 * noiseOf(voltages), SLOPE_SPREAD * expectedV);
  const right = logDensity(droppedV - expectedV, spreadV);
  const reversed = logDensity(droppedV + expectedV, spreadV);
  const other = 1 - channel;
  const byArrow = (state: ClampState | undefined) => (state === 'reversed' ? reversed : right);
  if (!isSilent(before, other) || !isSilent(now, other)) {
    learn(pair, 'voltage', now.at, WEIGHT, [channel], (of, _, state) =>
      of === channel ? byArrow(state) : 0,
    );
    return;
  }
  // A dead clamp on the other leg hides the other half of a 240 V load, which the voltage does not answer to, or
  // answers to the other way where that half is the larger: whatever the arrow, one load says less beside it.
  const none = HIDDEN_SHARE * Math.exp(logDensity(droppedV, spreadV));
  const besideDead = (alone: number) => Math.log(none + (1 - HIDDEN_SHARE) * Math.exp(alone));
  learnJointly(pair, 'voltage', now.at, WEIGHT, [channel, other], ({ clamps }) => {
    const alone = byArrow(clamps[channel]);
    return clamps[other] === 'dead' ? besideDead(alone) : alone;
  });
}

/** Is it time for another witness? If so, this is it. */
function isDue(voltages: Voltages, at: number): boolean {
  if (at - voltages.lastMs < LEAST_SPACING_MS) return false;
  voltages.lastMs = at;
  return true;
}

/** A voltage rounded to 1 V jumps by 1 V when it drifts across the edge: that is noise, whatever is usual. */
function learnResolution(voltages: Voltages, sizeV: number): void {
  if (sizeV < SAME_V || sizeV >= voltages.resolutionV) return;
  voltages.resolutionV = Math.round(1e4 * sizeV) / 1e4;
}

function learnNoise(voltages: Voltages, sizeV: number): void {
  const factor = sizeV > voltages.noiseV ? 1 + NOISE_GAIN : 1 - NOISE_GAIN;
  voltages.noiseV = Math.max(LEAST_NOISE_V, Math.round(1e4 * voltages.noiseV * factor) / 1e4);
}

/** What a change must stand out from, V: usual noise, and the edges of rounding. */
function noiseOf({ noiseV, resolutionV }: Voltages): number {
  return Math.max(noiseV, resolutionV / 2);
}

function isSilent(reading: MeterReading, channel: number): boolean {
  const watts = channel === 0 ? reading.l1W : reading.l2W;
  return watts !== null && Math.abs(watts) <= NO_SIGNAL_W;
}

function logDensity(residualV: number, scaleV: number): number {
  const z = residualV / scaleV;
  const core = T3_PEAK / (scaleV * (1 + (z * z) / 3) ** 2);
  return Math.log((1 - OUTLIER_SHARE) * core + OUTLIER_SHARE / OUTLIER_RANGE_V);
}
