// The ways in which a pair of clamps may have been fitted: each channel's clamp in one of four states, and
// the two in place or on each other's conductor. The same list serves the two service legs and the two
// inlets; a site with one inlet has a "pair" of one channel.

import { CHANGE_LOG_SHARE } from './sequential-test.ts';

export const CLAMP_STATES = ['right', 'reversed', 'dead', 'ratio'] as const;
/** `ratio`: a CT of another ratio, whose gain is learned from the readings. */
export type ClampState = (typeof CLAMP_STATES)[number];

export type PairName = 'service' | 'inlets';

export interface Arrangement {
  /** Each clamp sits on the other channel's conductor. */
  readonly swapped: boolean;
  /** The state of each channel's clamp, in channel order. */
  readonly clamps: readonly ClampState[];
}

/**
 * How often a clamp is found so, relative to right (common practice: almost all installations are right, and
 * the commonest mistake is one arrow turned).
 */
const STATE_WEIGHT: Readonly<Record<ClampState, number>> = {
  right: 1,
  reversed: 0.01,
  dead: 0.003,
  ratio: 0.003,
};
/** Who turns one arrow by misreading it turns both. */
const BOTH_REVERSED_WEIGHT = 0.004;
/** Both clamps come out of the same box. */
const BOTH_RATIO_WEIGHT = 0.001;
const SWAPPED_WEIGHT = 0.008;
/**
 * Two separate mistakes at one pair. On the service it looks like one arrow turned until a battery steps or the
 * leg voltages tell: weighty enough that the plainer mistake is not called before that. Two inlets may go on
 * doing the same for ever, so there the plainer one is.
 */
const SWAPPED_ONE_REVERSED_WEIGHT: Readonly<Record<PairName, number>> = { service: 0.0001, inlets: 0.00002 };
/**
 * Swapped and one of them dead: two separate mistakes, which only the leg of the other clamp tells from a dead clamp
 * in place. Where nothing runs there the plainer mistake is called.
 */
const SWAPPED_DEAD_WEIGHT = 0.002;
/** Swapped and turned so that the total comes out right: an installer who stopped when the total looked right. */
const SWAPPED_BOTH_REVERSED_WEIGHT = 0.002;

/**
 * Higher than for other changes: 240 V loads and voltages tell that the legs' ratios differ, but not which one
 * is wrong. Less than ACCEPT_LOG_ODDS below zero, so that a leg that was proven long ago does not put the blame
 * on the other before a battery has stepped again.
 */
const RATIO_CHANGE_LOG_SHARE = -5;

const SINGLE: readonly Arrangement[] = CLAMP_STATES.map((state) => ({ swapped: false, clamps: [state] }));
const PAIRS: readonly Arrangement[] = [false, true].flatMap((swapped) =>
  CLAMP_STATES.flatMap((first) => CLAMP_STATES.map((second) => ({ swapped, clamps: [first, second] }))),
);
const SINGLE_PRIORS = logPriors(SINGLE, 'inlets');
const PAIR_PRIORS = { service: logPriors(PAIRS, 'service'), inlets: logPriors(PAIRS, 'inlets') };

const SINGLE_FLOORS = logFloors(SINGLE, SINGLE_PRIORS);
const PAIR_FLOORS = {
  service: logFloors(PAIRS, PAIR_PRIORS.service),
  inlets: logFloors(PAIRS, PAIR_PRIORS.inlets),
};

/** Every arrangement of so many channels (1 or 2), the right one first. */
export function arrangementsOf(channels: number): readonly Arrangement[] {
  return channels === 1 ? SINGLE : PAIRS;
}

/** Natural logarithms of the prior probabilities of `arrangementsOf(channels)`, in its order. */
export function logPriorsOf(pair: PairName, channels: number): readonly number[] {
  return channels === 1 ? SINGLE_PRIORS : PAIR_PRIORS[pair];
}

/** Natural logarithms below which no arrangement falls, in the same order: it may have come about since. */
export function logFloorsOf(pair: PairName, channels: number): readonly number[] {
  return channels === 1 ? SINGLE_FLOORS : PAIR_FLOORS[pair];
}

/** True where both arrows of a swapped pair stand alike: one mistake, told as swapped and no more. */
export function isPlainSwap({ swapped, clamps }: Arrangement): boolean {
  return swapped && clamps.every((state) => state === 'reversed');
}

function logPriors(arrangements: readonly Arrangement[], pair: PairName): readonly number[] {
  const weights = arrangements.map((arrangement) => weightOf(arrangement, pair));
  const total = weights.reduce((sum, weight) => sum + weight, 0);
  return weights.map((weight) => Math.log(weight / total));
}

function logFloors(arrangements: readonly Arrangement[], priors: readonly number[]): readonly number[] {
  return arrangements.map(({ clamps }, h) => {
    const share = clamps.includes('ratio') ? RATIO_CHANGE_LOG_SHARE : CHANGE_LOG_SHARE;
    return (priors[h] ?? 0) + share;
  });
}

function weightOf(arrangement: Arrangement, pair: PairName): number {
  const { swapped, clamps } = arrangement;
  const [first, second] = clamps;
  if (first === 'reversed' && second === 'reversed') {
    return swapped ? SWAPPED_BOTH_REVERSED_WEIGHT : BOTH_REVERSED_WEIGHT;
  }
  if (!swapped && first === 'ratio' && second === 'ratio') return BOTH_RATIO_WEIGHT;
  const [reversed, right] = [clamps.includes('reversed'), clamps.includes('right')];
  if (swapped && reversed && right) return SWAPPED_ONE_REVERSED_WEIGHT[pair];
  const weight = clamps.reduce((product, state) => product * STATE_WEIGHT[state], 1);
  if (!swapped) return weight;
  return (clamps.includes('dead') ? SWAPPED_DEAD_WEIGHT : SWAPPED_WEIGHT) * weight;
}
