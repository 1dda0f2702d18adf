import type { Leg } from './split-phase.ts';

/**
 * What a meter reads when its current transformers (CTs) are not where they should be. A channel multiplies
 * its own leg's voltage with the current its clamp sees; the other leg is 180 degrees away, so a clamp on the
 * other leg with its arrow right reads that leg's power with the sign turned.
 */

/** Where the clamp of one channel really sits. */
export interface Clamp {
  onLeg: Leg;
  /** The arrow points the wrong way. */
  reversed: boolean;
}

/** The clamps of both service channels. */
export interface CtArrangement {
  name: CtArrangementName;
  l1: Clamp;
  l2: Clamp;
}

export type CtArrangementName =
  | 'in-place'
  | 'l1-reversed'
  | 'l2-reversed'
  | 'both-reversed'
  | 'swapped'
  | 'swapped-l1-reversed'
  | 'swapped-l2-reversed'
  | 'swapped-both-reversed';

/**
 * The eight signed permutations of a service pair, the right one first. `swapped-both-reversed` gives the
 * right total and shows in no sum: only a step on one leg finds it.
 */
export const CT_ARRANGEMENTS: readonly CtArrangement[] = [
  arrangement('in-place', false, false, false),
  arrangement('l1-reversed', false, true, false),
  arrangement('l2-reversed', false, false, true),
  arrangement('both-reversed', false, true, true),
  arrangement('swapped', true, false, false),
  arrangement('swapped-l1-reversed', true, true, false),
  arrangement('swapped-l2-reversed', true, false, true),
  arrangement('swapped-both-reversed', true, true, true),
];

/**
 * The sign with which a channel shows the power of the leg its clamp is on: -1 for a clamp on the other leg,
 * -1 again for a reversed arrow.
 */
export function clampSign(channel: Leg, clamp: Clamp): 1 | -1 {
  const onOtherLeg = clamp.onLeg !== channel;
  return onOtherLeg === clamp.reversed ? 1 : -1;
}

/**
 * Power a channel reads: its own leg's voltage times the in-phase current of the leg its clamp is on. The
 * same holds for reactive power.
 *
 * @param clampedLegW true power of the leg that the clamp is on, W, positive = import
 * @param channelV rms voltage of the channel's own leg, V
 * @param clampedLegV rms voltage of the leg that the clamp is on, V, above 0
 * @returns W, signed as the meter would show it
 */
export function clampPowerW(
  channel: Leg,
  clamp: Clamp,
  clampedLegW: number,
  channelV: number,
  clampedLegV: number,
): number {
  return (clampSign(channel, clamp) * clampedLegW * channelV) / clampedLegV;
}

function arrangement(
  name: CtArrangementName,
  swapped: boolean,
  l1Reversed: boolean,
  l2Reversed: boolean,
): CtArrangement {
  return {
    name,
    l1: { onLeg: swapped ? 'L2' : 'L1', reversed: l1Reversed },
    l2: { onLeg: swapped ? 'L1' : 'L2', reversed: l2Reversed },
  };
}
