// What a leg shows while no battery is at work. A house without other generation cannot export then, so a leg
// that does stands the wrong way round; and a leg that has always carried something and suddenly carries
// nothing at all has lost its clamp. So has one that shows nothing while its battery charges: what that draws comes
// through the service (Kirchhoff's current law), unless the house generates just that much. Judged in quarter hours: the readings
// within one are no independent witnesses.
//
// Somebody may have forgotten to register the solar panels. They export by day only, so export counts by
// night only; and a leg that imports by day proves little, as panels behind a reversed clamp would look so.

import { zoneClock } from '@afterwatt/tariff';
import type { Site } from '@afterwatt/wire';
import { z } from 'zod';
import { type ClampPair, learn, learnJointly } from './clamp-pair.ts';
import { MOST_NATS } from './sequential-test.ts';
import { NO_SIGNAL_W, placeSign, TRACE_W } from './service-sign.ts';

const HOUR_MS = 3_600_000;
const BLOCK_MS = HOUR_MS / 4;
/** A block counts as of one kind when so much of it is. */
const MOST_OF_BLOCK = 0.9;
const LEAST_READINGS = 3;
/** No sun in the inhabited part of the grid (north of 66 degrees it would take more). */
const NIGHT = { fromHour: 22, toHour: 4 };

/** Weight of a block against the hypotheses it contradicts, nats. */
const EXPORT_BY_NIGHT_NATS = 1.25;
const IMPORT_BY_NIGHT_NATS = 1.25;
const IMPORT_BY_DAY_NATS = 0.4;

/** A leg's habits are known after eight hours of blocks; a night of silence alone decides nothing yet. Beyond this count the older half is forgotten. */
const KNOWN_BLOCKS = 32;
const MOST_BLOCKS = 1000;
/** What is off stays off: blocks without signal are hardly independent. */
const SILENCE_WEIGHT = 0.12;
/** A leg that is silent for a larger share of its time has nights, seasons or an absence on which nothing runs. */
const SELDOM_SILENT = 0.03;

/** A battery that charges with so much is seen on its leg, whatever the errors near 0, W. */
const CHARGING_W = 200;
/** ... for so much of a block. */
const LEAST_OF_BLOCK = 1 / 3;
/**
 * Weight of a block of charging that no clamp shows. By day a battery that takes up what the sun gives leaves nothing
 * on its leg either, but the sun moves: what is not steady within this share says nothing, and around noon even the
 * sun is steady for a while.
 */
const UNSEEN_BY_NIGHT_NATS = 3;
const UNSEEN_BY_DAY_NATS = 1.2;
const UNSEEN_GENERATING_NATS = 0.5;
const STEADY_SHARE = 0.03;

const legSchema = z.object({
  /** Readings of the present block in which no battery of this leg was at work. */
  readings: z.number(),
  exporting: z.number(),
  importing: z.number(),
  silent: z.number(),
  /** Readings among them in which a battery of the other leg was at work. */
  otherBusy: z.number(),
  /** Readings in which the batteries of this leg charged, and those among them in which each channel was silent. */
  charging: z.number(),
  unseen: z.tuple([z.number(), z.number()]),
  /** The least and the most that they charged with, W. */
  chargeW: z.tuple([z.number(), z.number()]),
  /** Blocks so far in which the leg carried something, and nothing; then those silent without a break until now. */
  loadedBlocks: z.number(),
  silentBlocks: z.number(),
  silentRun: z.number(),
});

export const standingSchema = z.object({
  /** Whole blocks since the Unix epoch. */
  block: z.number(),
  /** The grid was away, or nobody knows what the batteries did. */
  isVoid: z.boolean(),
  /** Readings of the present block. */
  readings: z.number(),
  legs: z.array(legSchema),
});
export type Standing = z.infer<typeof standingSchema>;

export function startStanding(): Standing {
  return { block: 0, isVoid: false, readings: 0, legs: [startLeg(), startLeg()] };
}

/** What is known at one meter reading. */
export interface StandingReading {
  readonly at: number;
  readonly l1W: number;
  readonly l2W: number;
  /** Is some battery of that leg at work, or not heard? */
  readonly l1Busy: boolean;
  readonly l2Busy: boolean;
  /** What the batteries of that leg charge with, W; 0 while they do not, or are not heard. */
  readonly l1ChargeW: number;
  readonly l2ChargeW: number;
  /** False in an outage: an islanded house draws nothing from the service. */
  readonly gridPresent: boolean;
}

/** Takes a reading in, in place, and judges the block before when a new one begins. */
export function learnFromStanding(
  pair: ClampPair,
  standing: Standing,
  site: Site,
  reading: StandingReading,
): void {
  const block = Math.floor(reading.at / BLOCK_MS);
  if (block !== standing.block) {
    const next = block === standing.block + 1;
    if (next && !standing.isVoid) judgeBlock(pair, standing, site, reading.at);
    startBlock(standing, block);
  }
  standing.readings += 1;
  if (!reading.gridPresent) standing.isVoid = true;
  const first = standing.legs[0];
  const second = standing.legs[1];
  if (first === undefined || second === undefined) return;
  if (!reading.l1Busy) count(first, reading.l1W, reading.l2Busy);
  if (!reading.l2Busy) count(second, reading.l2W, reading.l1Busy);
  countCharging(first, reading, reading.l1ChargeW);
  countCharging(second, reading, reading.l2ChargeW);
}

type LegBlock = Standing['legs'][number];

function count(leg: LegBlock, watts: number, otherBusy: boolean): void {
  leg.readings += 1;
  if (otherBusy) leg.otherBusy += 1;
  if (watts < -TRACE_W) leg.exporting += 1;
  else if (watts > TRACE_W) leg.importing += 1;
  if (Math.abs(watts) <= NO_SIGNAL_W) leg.silent += 1;
}

function countCharging(leg: LegBlock, { l1W, l2W }: StandingReading, chargeW: number): void {
  if (chargeW < CHARGING_W) return;
  const [leastW, mostW] = leg.charging === 0 ? [chargeW, chargeW] : leg.chargeW;
  leg.chargeW = [Math.min(leastW, chargeW), Math.max(mostW, chargeW)];
  leg.charging += 1;
  if (Math.abs(l1W) <= NO_SIGNAL_W) leg.unseen[0] += 1;
  if (Math.abs(l2W) <= NO_SIGNAL_W) leg.unseen[1] += 1;
}

function judgeBlock(pair: ClampPair, standing: Standing, site: Site, at: number): void {
  // Both silent: the main is open, or an outage that no battery told of.
  const allSilent = standing.legs.every((leg) => isMost(leg.silent, leg));
  const night = isNight(site, at);
  const generates = site.service.otherGeneration;
  standing.legs.forEach((leg, channel) => {
    learnFromCharging(pair, standing, channel, at, night ? 'night' : generates ? 'generating' : 'day');
    if (isMost(leg.silent, leg)) {
      if (!allSilent) learnFromSilence(pair, standing, channel, at);
      return;
    }
    // What a leg shows since the other one fell oddly silent may be the other one's: no habit of its own.
    const other = standing.legs[1 - channel];
    const isOwn = other === undefined || other.silentRun === 0 || !isSeldomSilent(other);
    if (isOwn && leg.readings >= LEAST_READINGS) noteLoaded(leg);
    if (!generates && isMost(leg.importing, leg)) {
      learnDirection(pair, leg, channel, at, 1, night ? IMPORT_BY_NIGHT_NATS : IMPORT_BY_DAY_NATS);
    } else if (!generates && isMost(leg.exporting, leg) && night) {
      learnDirection(pair, leg, channel, at, -1, EXPORT_BY_NIGHT_NATS);
    } else if (isMost(leg.importing + leg.exporting, leg)) {
      learnAlive(pair, channel, at);
    }
  });
}

/** The clamp on the leg of a battery that charges shows nothing. */
function learnFromCharging(
  pair: ClampPair,
  { readings, legs }: Standing,
  channel: number,
  at: number,
  time: 'night' | 'day' | 'generating',
): void {
  const { charging, unseen, chargeW } = legs[channel] ?? startLeg();
  if (charging < LEAST_READINGS || charging < LEAST_OF_BLOCK * readings) return;
  if (time !== 'night' && chargeW[1] > (1 + STEADY_SHARE) * chargeW[0]) return;
  const silent = unseen.map((count) => count >= MOST_OF_BLOCK * charging);
  if (!silent.includes(true)) return;
  const nats = { night: UNSEEN_BY_NIGHT_NATS, day: UNSEEN_BY_DAY_NATS, generating: UNSEEN_GENERATING_NATS };
  // Legs that both used to carry something: a clamp that shows nothing shows nothing of the other leg either.
  const isOdd = silent[channel] === true && legs.every(isSeldomSilent);
  learnJointly(pair, 'standing', at, 1, [channel], ({ swapped, clamps }) => {
    const shownOn = swapped ? 1 - channel : channel;
    const unseen = silent[shownOn] === true && clamps[shownOn] !== 'dead';
    const oddly = isOdd && swapped && clamps[channel] !== 'dead';
    return unseen || oddly ? -nats[time] : 0;
  });
}

/** Whichever way it flows, a dead clamp shows nothing. */
function learnAlive(pair: ClampPair, channel: number, at: number): void {
  learn(pair, 'standing', at, 1, [channel], (of, _, state) =>
    of === channel && state === 'dead' ? -MOST_NATS : 0,
  );
}

/** @param shown 1: the channel shows import, -1: export */
function learnDirection(
  pair: ClampPair,
  leg: LegBlock,
  channel: number,
  at: number,
  shown: 1 | -1,
  nats: number,
): void {
  const othersFlow = leg.otherBusy > (1 - MOST_OF_BLOCK) * leg.readings;
  learn(pair, 'standing', at, 1, [channel], (of, swapped, state) => {
    if (of !== channel) return 0;
    if (state === 'dead') return -MOST_NATS;
    // A clamp on the other leg would show that leg's battery, which flows either way.
    if (swapped && othersFlow) return -nats / 2;
    const arrow = state === 'reversed' ? -1 : 1;
    return placeSign(swapped) * arrow === shown ? 0 : -nats;
  });
}

/**
 * How likely is a block of nothing, by what this leg used to do? A dead clamp shows nothing else, and one that was put
 * on the other leg what that used to do: often nothing, where nothing runs there.
 */
function learnFromSilence(pair: ClampPair, { legs }: Standing, channel: number, at: number): void {
  const [own, other] = [legs[channel] ?? startLeg(), legs[1 - channel] ?? startLeg()];
  own.silentRun += 1;
  if (!isSeldomSilent(own)) return;
  const [usual, othersUsual] = [usualSilence(own), usualSilence(other, other.silentRun)];
  learn(pair, 'standing', at, SILENCE_WEIGHT, [channel], (of, swapped, state) =>
    of === channel && state !== 'dead' ? Math.log(swapped ? othersUsual : usual) : 0,
  );
}

/** Share of its blocks in which a leg showed nothing. @param run silent ones besides, without a break until now */
function usualSilence({ loadedBlocks, silentBlocks }: LegBlock, run = 0): number {
  return (silentBlocks + run + 1) / (loadedBlocks + silentBlocks + run + 2);
}

function isSeldomSilent(leg: LegBlock): boolean {
  return leg.loadedBlocks + leg.silentBlocks >= KNOWN_BLOCKS && usualSilence(leg) <= SELDOM_SILENT;
}

function noteLoaded(leg: LegBlock): void {
  leg.loadedBlocks += 1;
  leg.silentBlocks += leg.silentRun;
  leg.silentRun = 0;
  if (leg.loadedBlocks + leg.silentBlocks < MOST_BLOCKS) return;
  leg.loadedBlocks = Math.floor(leg.loadedBlocks / 2);
  leg.silentBlocks = Math.floor(leg.silentBlocks / 2);
}

function startLeg(): LegBlock {
  return {
    readings: 0,
    exporting: 0,
    importing: 0,
    silent: 0,
    otherBusy: 0,
    charging: 0,
    unseen: [0, 0],
    chargeW: [0, 0],
    loadedBlocks: 0,
    silentBlocks: 0,
    silentRun: 0,
  };
}

function startBlock(standing: Standing, block: number): void {
  standing.readings = 0;
  standing.block = block;
  standing.isVoid = false;
  for (const leg of standing.legs) {
    leg.readings = 0;
    leg.exporting = 0;
    leg.importing = 0;
    leg.silent = 0;
    leg.otherBusy = 0;
    leg.charging = 0;
    leg.unseen = [0, 0];
    leg.chargeW = [0, 0];
  }
}

function isMost(part: number, leg: LegBlock): boolean {
  return leg.readings >= LEAST_READINGS && part >= MOST_OF_BLOCK * leg.readings;
}

function isNight(site: Site, at: number): boolean {
  const hour = (zoneClock(site.timeZone).wallMs(at) / HOUR_MS) % 24;
  return hour >= NIGHT.fromHour || hour < NIGHT.toHour;
}
