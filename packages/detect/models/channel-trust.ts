// May the meter's inlet channel be believed where it shows far more than the batteries on that inlet say of
// themselves? Another load on the circuit is a reason to, and a danger. A clamp of another ratio is not: it
// shows the same multiple at every level and nothing at rest. Nor is a clamp on the other inlet: it shows what
// the batteries there say.

import type { MeterReading, SiteInlet } from '@afterwatt/wire';
import { z } from 'zod';
import type { SiteView } from '../site-view.ts';
import { emptyCircuitLoad, measureBatteries } from './inlet-load.ts';

/** Batteries' own figures are within this of a right clamp's (common practice). */
const OWN_RATIO_LEAST = 0.8;
const OWN_RATIO_MOST = 1.25;
/** Readings after which a clamp is known to be right: what it shows then needs no second word. */
const KNOWN_READINGS = 3;
/** Below this a battery is at rest; above the other it is at work, W. */
const AT_REST_W = 50;
const AT_WORK_W = 200;
/** With the batteries at rest, a channel that shows no more has no other load on it, W. */
const NO_OTHER_LOAD_W = 60;
/** A battery is steady when it has moved by no more than this share since its reading before. */
const STEADY_SHARE = 0.05;
/** The same multiple, within this. */
const SAME_SHARE = 0.15;
/** A clamp of the right ratio in its place and its batteries' own figures agree within this (common practice). */
const AGREES_SHARE = 0.06;
/** Readings of another multiple in a row until it is taken for a new one: five minutes at 5 s. */
const MISSES = 60;
const MEMORY = 10;
const REST_STEP_W = 10;

export const channelTrustSchema = z.object({
  /** What the channel shows with the batteries at rest, W; null before they were. */
  restW: z.number().nullable(),
  /** Usual multiple of the batteries' own figure that the channel shows, on so many readings; then what missed it. */
  multiple: z.number(),
  readings: z.number(),
  misses: z.number(),
});
export type ChannelTrust = z.infer<typeof channelTrustSchema>;

export function startChannelTrust(): ChannelTrust {
  return { restW: null, multiple: 0, readings: 0, misses: 0 };
}

/** Takes one meter reading in, in place. */
export function learnChannelTrust(
  trust: ChannelTrust,
  inlet: SiteInlet,
  meter: MeterReading,
  view: SiteView,
): void {
  const shownW = channelWatts(inlet, meter);
  if (shownW === null || !isSteady(inlet, view) || !measureBatteries(inlet, view, own)) return;
  const ownW = Math.abs(own.watts);
  if (ownW < AT_REST_W) {
    // In small steps, because a battery that has just begun is still at rest by its last reading.
    const apartW = shownW - (trust.restW ?? 0);
    trust.restW = round((trust.restW ?? 0) + Math.max(-REST_STEP_W, Math.min(REST_STEP_W, apartW)));
    return;
  }
  if (ownW < AT_WORK_W) return;
  const multiple = shownW / ownW;
  if (trust.readings > 0 && !isSame(multiple, trust.multiple)) {
    trust.misses += 1;
    if (trust.misses < MISSES) return;
    trust.readings = 0;
  }
  trust.misses = 0;
  trust.readings = Math.min(MEMORY, trust.readings + 1);
  trust.multiple = round(trust.multiple + (multiple - trust.multiple) / trust.readings);
}

/**
 * What to make of a channel that stands over a limit which the batteries' own figures do not.
 * - `believed`: the clamp is known to be right, or nothing else explains it.
 * - `wait`: a battery has just changed, or has not reported since `sinceMs`; its next reading will tell.
 * - `doubted`: a clamp of another ratio or in the other's place explains it.
 * @param sinceMs device time since which the channel is over the limit
 */
export function channelTrust(
  trust: ChannelTrust,
  inlet: SiteInlet,
  meter: MeterReading,
  view: SiteView,
  sinceMs: number,
): 'believed' | 'wait' | 'doubted' {
  const shownW = channelWatts(inlet, meter);
  if (shownW === null || !measureBatteries(inlet, view, own)) return 'believed';
  const ownW = Math.abs(own.watts);
  // Even of a clamp that was right until now: both may have been taken off and put back.
  if (isOfOtherInlet(inlet, meter, view, shownW)) return 'doubted';
  if (shownW < OWN_RATIO_MOST * ownW) return 'believed';
  if (cannotCarry(meter, view, shownW)) return 'doubted';
  if (
    trust.readings >= KNOWN_READINGS &&
    trust.multiple >= OWN_RATIO_LEAST &&
    trust.multiple < OWN_RATIO_MOST
  ) {
    return 'believed';
  }
  if (!haveReportedSince(inlet, view, sinceMs)) return 'wait';
  if (ownW < AT_WORK_W) return 'believed';
  if (!isSteady(inlet, view)) return 'wait';
  const isMultiple = trust.readings > 0 && isSame(shownW / ownW, trust.multiple);
  if (!isMultiple || trust.multiple < OWN_RATIO_MOST) return 'believed';
  return trust.restW !== null && trust.restW < NO_OTHER_LOAD_W ? 'doubted' : 'believed';
}

const own = emptyCircuitLoad();

function channelWatts(inlet: SiteInlet, meter: MeterReading): number | null {
  const watts = inlet.number === 1 ? meter.inlet1W : meter.inlet2W;
  return watts === null ? null : Math.abs(watts);
}

function isSteady(inlet: SiteInlet, view: SiteView): boolean {
  const { site, newest, previousBatteries } = view;
  for (let place = 0; place < newest.length; place++) {
    if (site.batteries[place]?.inlet !== inlet.number) continue;
    const nowW = newest[place]?.acW ?? null;
    const beforeW = previousBatteries[place]?.acW ?? null;
    if (nowW === null || beforeW === null) return false;
    if (Math.abs(nowW - beforeW) > STEADY_SHARE * Math.max(AT_WORK_W, Math.abs(nowW))) return false;
  }
  return true;
}

function haveReportedSince(inlet: SiteInlet, view: SiteView, sinceMs: number): boolean {
  for (const [place, reading] of view.newest.entries()) {
    if (view.site.batteries[place]?.inlet !== inlet.number) continue;
    if (reading !== null && reading.at < sinceMs) return false;
  }
  return true;
}

/** The batteries on another inlet say what this channel shows, and their own channel does not. */
function isOfOtherInlet(inlet: SiteInlet, meter: MeterReading, view: SiteView, shownW: number): boolean {
  for (const other of view.site.inlets) {
    if (other === inlet || !measureBatteries(other, view, own)) continue;
    const othersW = Math.abs(own.watts);
    const onItsOwnW = channelWatts(other, meter);
    if (othersW < AT_WORK_W || onItsOwnW === null) continue;
    if (isSame(shownW, othersW) && Math.abs(onItsOwnW - othersW) > AGREES_SHARE * othersW) return true;
  }
  return false;
}

/** The service carries at least what an inlet draws, wherever its clamps sit, unless the house generates. */
function cannotCarry({ l1W, l2W }: MeterReading, { site, newest }: SiteView, shownW: number): boolean {
  if (site.service.otherGeneration || l1W === null || l2W === null) return false;
  // A battery that feeds a leg leaves the service less.
  for (const reading of newest) {
    const acW = reading?.acW ?? null;
    if (acW !== null && acW <= -AT_REST_W) return false;
  }
  return Math.max(Math.abs(l1W), Math.abs(l2W)) < 0.9 * shownW;
}

function isSame(value: number, reference: number): boolean {
  return Math.abs(value - reference) <= SAME_SHARE * reference;
}

function round(value: number): number {
  return Math.round(1000 * value) / 1000;
}
