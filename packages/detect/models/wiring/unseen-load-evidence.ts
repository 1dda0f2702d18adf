// A leg whose clamp shows nothing at all: is there nothing on it, or is the clamp dead? Its loads tell, as they
// move the voltages. With source E, service impedance Zs and neutral impedance Zn,
//   v1 = E - i1 Zs - (i1 - i2) Zn        v2 = E - i2 Zs + (i1 - i2) Zn
// so a load on the silent leg alone pulls its voltage down and lifts the other's by Zn / (Zs + Zn) of that, while
// the current of the other leg stays as it was; and a 240 V load pulls both down alike, while a load on the
// other leg alone would lift the silent leg's voltage. (Kirchhoff's laws on the two halves of a 120/240 V service.)
// Easily confused with: voltages that the grid moves (both legs alike), neighbours on the same transformer (no
// current in this house's neutral: the other leg is not lifted), a neutral that works loose (both legs part by the
// same), a voltage that stands still (the other one alone moves), reactive current of the other leg (moves that
// leg's voltage more).
//
// What switches on switches off again: such changes count in pairs of both signs, several within a day.

import type { MeterReading } from '@afterwatt/wire';
import { z } from 'zod';
import { type ClampPair, learn } from './clamp-pair.ts';
import { NO_SIGNAL_W } from './service-sign.ts';
import { usualOhm } from './stiffness-evidence.ts';

const HOUR_MS = 3_600_000;
/** Readings compared on each side of a change: their means are quieter than they are. */
const SIDE = 4;
/** A leg that moves by no more than this has nothing switched on it. */
const STILL_W = 60;
const LEAST_LINE_LOAD_W = 400;
/** Below this a leg is dead (common practice: half of nominal). */
const LEAST_VOLTS = 60;
/** A change of the voltages is seen when it is so large, and so many times the error of the means. */
const LEAST_CHANGE_V = 0.3;
const SEEN = 4;
/** Standard deviation of a mean's change over the median of changes between two readings (normal errors). */
const ERROR_PER_NOISE = (1 / 0.6745 / Math.SQRT2) * Math.sqrt(2 / SIDE);
/** Legs that move by more together than this many times what they part by are moved by the grid. */
const MOST_TOGETHER = 1.5;
/**
 * What the last loads on one leg lifted the other leg's voltage by, as a share of what its own fell, Zn / (Zs + Zn):
 * 0 would be a neighbour, 1 a loose neutral. A single one errs too much to be asked, and sorting them out one by one
 * would shift what is left of them.
 */
const LIFTED = { least: 0.15, most: 0.8 };
/** Of the changes before, so much stays in what the last ones are together. */
const KEPT = 0.95;
/** Square of the sum over the sum of squares of what the silent leg's voltage moves by more than the other's. */
const SURELY_MORE = 2.5;
/** More loads than this are hardly on at once. */
const MOST_OPEN = 4;
/** The two legs fall alike under a 240 V load: their difference is less than this share of one leg's alone. */
const ALIKE = 0.25;
/** A pair is no new witness before this, and one so long ago no part of a row. */
const LEAST_SPACING_MS = HOUR_MS / 6;
const MOST_SPACING_MS = 12 * HOUR_MS;
/** Pairs in a row that say nothing yet: once anything may happen. */
const FREE_PAIRS = 1;
/** Each further pair is so much likelier behind a dead clamp, nats. */
const PAIR_NATS = 3;

export const unseenLoadsSchema = z.object({
  /** Channel that shows nothing while the other does, or null. */
  silent: z.number().nullable(),
  /** The last readings: device time, the silent leg's voltage and the other's, V, the other's power, W. */
  rows: z.array(z.tuple([z.number(), z.number(), z.number(), z.number()])).max(2 * SIDE),
  /** Changes not yet paired, of loads of the silent leg alone and across both: + switched on, - off. */
  open: z.tuple([z.number(), z.number()]),
  /** What the last loads of the silent leg alone moved its voltage by, and the other's, V. */
  fellV: z.number(),
  liftedV: z.number(),
  /** Sum of (fell - lifted) squared over the same changes, V². */
  moreV2: z.number(),
  /** Pairs in a row, and the device time of the last one. */
  pairs: z.number(),
  lastMs: z.number(),
});
export type UnseenLoads = z.infer<typeof unseenLoadsSchema>;
type Rows = UnseenLoads['rows'];

export function startUnseenLoads(): UnseenLoads {
  return { silent: null, rows: [], open: [0, 0], fellV: 0, liftedV: 0, moreV2: 0, pairs: 0, lastMs: 0 };
}

/**
 * Takes two consecutive meter readings.
 * @param noiseV usual size of changes of v1 - v2 while nothing switches, V
 * @param slopesOhm what v1 - v2 answered to the last currents on each leg alone with, ohm
 */
export function learnFromUnseenLoad(
  pair: ClampPair,
  unseen: UnseenLoads,
  before: MeterReading,
  now: MeterReading,
  noiseV: number,
  slopesOhm: readonly [readonly number[], readonly number[]],
): void {
  const silent = silentChannel(now, unseen.silent);
  if (silent !== unseen.silent) Object.assign(unseen, startUnseenLoads(), { silent });
  if (silent === null || !push(unseen.rows, silent, before, now)) return;
  const ohm = unseen.rows.length < 2 * SIDE ? null : usualOhm(slopesOhm[silent === 0 ? 1 : 0]);
  if (ohm === null) return;

  const seenV = Math.max(LEAST_CHANGE_V, SEEN * ERROR_PER_NOISE * noiseV);
  const own = ownLoad(unseen.rows, seenV);
  const switched = own === 0 ? lineLoad(unseen.rows, ohm, seenV) : own;
  if (switched === 0) return;
  if (own !== 0) noteLift(unseen, own);
  unseen.rows = [];
  if (!takesPair(unseen, own === 0 ? 1 : 0, switched, now.at)) return;
  learn(pair, 'voltage', now.at, 1, [silent], (channel, _, state) =>
    channel === silent && state !== 'dead' ? -PAIR_NATS : 0,
  );
}

/** A load of the silent leg alone, by the voltages: 1 switched on, -1 off, 0 none. */
function ownLoad(rows: Rows, seenV: number): -1 | 0 | 1 {
  if (rangeOf(rows) > STILL_W) return 0;
  const [fellV, liftedV] = [-change(rows, 1), change(rows, 2)];
  const [partedV, togetherV] = [fellV + liftedV, fellV - liftedV];
  if (Math.abs(partedV) < seenV || Math.abs(togetherV) > MOST_TOGETHER * Math.abs(partedV)) return 0;
  return signOf(partedV);
}

/** A 240 V load of which the other leg shows its half: 1 switched on, -1 off, 0 none. */
function lineLoad(rows: Rows, ohm: number, seenV: number): -1 | 0 | 1 {
  if (Math.max(rangeOf(rows.slice(0, SIDE)), rangeOf(rows.slice(SIDE))) > STILL_W) return 0;
  const stepW = change(rows, 3);
  if (Math.abs(stepW) < LEAST_LINE_LOAD_W) return 0;
  const [fellV, othersFellV] = [-change(rows, 1), -change(rows, 2)];
  const aloneV = ohm * Math.abs(stepW / (rows.at(-1)?.[2] ?? Number.NaN));
  const alike = Math.abs(fellV - othersFellV) <= ALIKE * aloneV;
  const on = signOf(stepW);
  return aloneV >= seenV && alike && on * fellV >= seenV / 2 ? on : 0;
}

function noteLift(unseen: UnseenLoads, on: -1 | 1): void {
  const [fellV, liftedV] = [-on * change(unseen.rows, 1), on * change(unseen.rows, 2)];
  unseen.fellV = thousandth(KEPT * unseen.fellV + fellV);
  unseen.liftedV = thousandth(KEPT * unseen.liftedV + liftedV);
  unseen.moreV2 = thousandth(KEPT * unseen.moreV2 + (fellV - liftedV) ** 2);
}

/** Counts a change, and tells whether it makes up a pair that says something. */
function takesPair(unseen: UnseenLoads, kind: 0 | 1, sign: -1 | 1, at: number): boolean {
  const open = unseen.open[kind];
  unseen.open[kind] = Math.max(-MOST_OPEN, Math.min(MOST_OPEN, open + sign));
  if (open * sign >= 0 || at - unseen.lastMs < LEAST_SPACING_MS) return false;
  const isInRow = at - unseen.lastMs <= MOST_SPACING_MS;
  unseen.pairs = isInRow ? unseen.pairs + 1 : 1;
  unseen.lastMs = at;
  return unseen.pairs > FREE_PAIRS && isThroughNeutral(unseen);
}

/** Do the loads of the silent leg alone share its neutral, and a firm one? */
function isThroughNeutral({ fellV, liftedV, moreV2 }: UnseenLoads): boolean {
  if (fellV === 0) return true;
  const isLifted = liftedV >= LIFTED.least * fellV && liftedV <= LIFTED.most * fellV;
  return isLifted && (fellV - liftedV) ** 2 >= SURELY_MORE * moreV2;
}

/** The one channel that shows nothing while the other does; while both do, the one that did before. */
function silentChannel({ l1W, l2W }: MeterReading, before: number | null): number | null {
  if (l1W === null || l2W === null) return before;
  const first = Math.abs(l1W) <= NO_SIGNAL_W;
  const second = Math.abs(l2W) <= NO_SIGNAL_W;
  if (first && second) return before;
  if (first) return 0;
  return second ? 1 : null;
}

/** Takes a reading in; false where there is no voltage. Readings before a gap are forgotten. */
function push(rows: Rows, silent: number, before: MeterReading, now: MeterReading): boolean {
  const [ownV, otherV] = silent === 0 ? [now.l1V, now.l2V] : [now.l2V, now.l1V];
  const otherW = silent === 0 ? now.l2W : now.l1W;
  if (rows.at(-1)?.[0] !== before.at) rows.length = 0;
  if (ownV === null || otherV === null || otherW === null) return false;
  if (Math.min(ownV, otherV) < LEAST_VOLTS) return false;
  if (rows.length === 2 * SIDE) rows.shift();
  rows.push([now.at, thousandth(ownV), thousandth(otherV), Math.round(otherW)]);
  return true;
}

/** Mean of a column after the change less the mean before. */
function change(rows: Rows, column: 1 | 2 | 3): number {
  let sum = 0;
  for (let i = 0; i < rows.length; i++) {
    const value = rows[i]?.[column] ?? 0;
    sum += i < SIDE ? -value : value;
  }
  return sum / SIDE;
}

function rangeOf(rows: Rows): number {
  let leastW = Number.POSITIVE_INFINITY;
  let mostW = Number.NEGATIVE_INFINITY;
  for (const row of rows) {
    leastW = Math.min(leastW, row[3]);
    mostW = Math.max(mostW, row[3]);
  }
  return mostW - leastW;
}

function thousandth(volts: number): number {
  return Math.round(1000 * volts) / 1000;
}

function signOf(value: number): -1 | 1 {
  return value < 0 ? -1 : 1;
}
