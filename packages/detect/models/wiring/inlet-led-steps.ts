// Once it is proven how an inlet's clamp is fitted, its channel is the battery's power in the meter's own time:
// whatever it changes by between two readings must appear on its leg between the same two readings, whatever
// the clocks say. Only switching counts: a battery that changes between two levels may be following a load.

import type { MeterReading, Site } from '@afterwatt/wire';
import { type BatteryTracks, followsLoads, isCharge, isIdle } from './battery-track.ts';
import { type ClampPair, likeliest, otherRatio, pairLogOdds } from './clamp-pair.ts';
import { inletSign, NO_SIGNAL_W, sameLeg } from './inlets.ts';
import { REJECT_LOG_ODDS } from './sequential-test.ts';

const LEAST_STEP_W = 150;

export interface InletSteps {
  /** What each inlet's power changed by, W, in the site's order of inlets. */
  readonly inletStepW: readonly number[];
  /** Every battery that moved began or ended charging. */
  readonly charges: boolean;
}

/**
 * What each inlet's power changed by between two consecutive readings; null where no battery was switched, or
 * where it is not proven what an inlet channel shows.
 */
export function inletStepsBetween(
  inlets: ClampPair,
  site: Site,
  tracks: BatteryTracks,
  before: MeterReading,
  now: MeterReading,
): InletSteps | null {
  // An outage begins or ends: the house changes over together with the battery.
  if (isServiceSilent(before) || isServiceSilent(now)) return null;
  const inletStepW = site.inlets.map(() => 0);
  let switched = false;
  let charges = true;
  for (const [channel, { number }] of site.inlets.entries()) {
    const [fromW, toW] = [inletOf(before, number), inletOf(now, number)];
    if (fromW === null || toW === null) return null;
    if (Math.abs(toW - fromW) < LEAST_STEP_W) continue;
    const gain = provenGain(inlets, channel, sameLeg(site));
    if (gain === null) return null;
    const [trueFromW, trueToW] = [fromW / gain.value, toW / gain.value];
    const turned = trueFromW > 0 !== trueToW > 0;
    if (!turned && !isIdle(trueFromW) && !isIdle(trueToW)) return null;
    if (areFollowing(site, tracks, gain.inlet, trueFromW, trueToW)) return null;
    inletStepW[gain.inlet] = trueToW - trueFromW;
    switched = true;
    charges &&= isCharge(trueFromW, trueToW);
  }
  return switched ? { inletStepW, charges } : null;
}

/** Does some battery of an inlet follow its leg's loads, in the direction in which it is switched? */
function areFollowing(site: Site, tracks: BatteryTracks, inlet: number, fromW: number, toW: number): boolean {
  const number = site.inlets[inlet]?.number;
  return site.batteries.some((battery, i) => battery.inlet === number && followsLoads(tracks, i, fromW, toW));
}

/** The inlet that a channel shows, and with what gain, where that is proven. */
function provenGain(
  inlets: ClampPair,
  channel: number,
  oneLeg: boolean,
): { inlet: number; value: number } | null {
  const { swapped, clamps } = likeliest(inlets);
  const state = clamps[channel] ?? 'right';
  const odds = pairLogOdds(inlets, (a) => a.swapped === swapped && a.clamps[channel] === state);
  if (odds < -REJECT_LOG_ODDS) return null;
  const inlet = swapped ? 1 - channel : channel;
  const sign = inletSign(swapped, oneLeg);
  switch (state) {
    case 'right':
      return { inlet, value: sign };
    case 'reversed':
      return { inlet, value: -sign };
    case 'ratio': {
      const value = otherRatio(inlets, channel);
      return value === null ? null : { inlet, value };
    }
    case 'dead':
      return null;
  }
}

function isServiceSilent({ l1W, l2W }: MeterReading): boolean {
  return Math.abs(l1W ?? 0) <= NO_SIGNAL_W && Math.abs(l2W ?? 0) <= NO_SIGNAL_W;
}

function inletOf(reading: MeterReading, number: number): number | null {
  return number === 1 ? reading.inlet1W : reading.inlet2W;
}
