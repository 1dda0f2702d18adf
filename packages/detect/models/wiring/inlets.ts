// How inlets and batteries stand to each other.

import type { Site } from '@afterwatt/wire';

/** Clocks of meter and battery differ by up to this (common practice: some seconds). */
export const CLOCK_OFFSET_MS = 10_000;
/** An inlet channel within this of 0 shows nothing. */
export const NO_SIGNAL_W = 8;

/** True where both inlets are fed from one leg. */
export function sameLeg(site: Site): boolean {
  return site.inlets[0]?.leg === site.inlets[1]?.leg;
}

/**
 * The sign with which a channel shows its conductor: a clamp on the other inlet's conductor shows it turned
 * where that inlet is fed from the other leg, 180 degrees away.
 */
export function inletSign(swapped: boolean, oneLeg: boolean): 1 | -1 {
  return swapped && !oneLeg ? -1 : 1;
}
