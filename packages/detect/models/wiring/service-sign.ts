// What a service channel shows of the leg its clamp sits on.

/** A channel within this of 0 shows nothing: rounding, and the clamp's own error. */
export const NO_SIGNAL_W = 8;
/**
 * A dead clamp lets a trace of its current and of its neighbours' through. What stays within this through a step
 * may be one (class 1 clamps are not specified there; common practice).
 */
export const TRACE_W = 25;

/** The other leg's current against this leg's voltage has its sign turned: the legs are 180 degrees apart. */
export function placeSign(swapped: boolean): 1 | -1 {
  return swapped ? -1 : 1;
}
