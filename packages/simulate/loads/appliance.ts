// What an appliance is: parts on the legs of the panel, and a plan for one day of when each part takes what.
// Powers and habits throughout `loads/` are round figures as name plates have them (common practice).

import type { RandomStream } from '../random.ts';
import type { Weather } from '../weather.ts';

export type Across = 'L1' | 'L2' | 'L1-L2';

/** What is taken at nominal voltage: by a fixed impedance, and whatever the voltage is. W and var. */
export interface Draw {
  readonly impedanceW: number;
  readonly powerW: number;
  readonly reactiveVar: number;
}

export const NOTHING: Draw = { impedanceW: 0, powerW: 0, reactiveVar: 0 };

export interface Part {
  readonly across: Across;
  /** On the circuit that the battery feeds when the grid is away. */
  readonly backedUp: boolean;
}

/** One local day of a household. Times are milliseconds since the Unix epoch. */
export interface HouseholdDay {
  readonly startMs: number;
  readonly endMs: number;
  readonly weekend: boolean;
  /** Nobody is at home for the whole day. */
  readonly away: boolean;
  /** Somebody is up and at home in these spans. */
  readonly wakeMs: number;
  readonly leaveMs: number;
  readonly returnMs: number;
  readonly sleepMs: number;
  readonly weather: Weather;
}

/** Says that a part takes `draw` from `atMs` on. */
export type Emit = (atMs: number, part: number, draw: Draw) => void;

export interface Appliance {
  readonly name: string;
  readonly parts: readonly Part[];
  /** Emits the day's changes, in any order; may reach into the next day, but not into its next use. */
  plan(day: HouseholdDay, random: RandomStream, emit: Emit): void;
}

export const SECOND_MS = 1000;
export const MINUTE_MS = 60_000;
export const HOUR_MS = 3_600_000;

export function heater(watts: number): Draw {
  return { impedanceW: watts, powerW: 0, reactiveVar: 0 };
}

/** A power supply or an inverter-driven motor: holds its power, small angle. */
export function electronics(watts: number): Draw {
  return { impedanceW: 0, powerW: watts, reactiveVar: -0.12 * watts };
}

/** An induction motor; `powerFactor` lagging. */
export function motor(watts: number, powerFactor = 0.85): Draw {
  return { impedanceW: 0, powerW: watts, reactiveVar: watts * Math.tan(Math.acos(powerFactor)) };
}

/** Starts a motor: some fraction of a second at locked-rotor current, several times the running one. */
export function startMotor(
  atMs: number,
  part: number,
  watts: number,
  random: RandomStream,
  emit: Emit,
): void {
  const locked = watts * random.between(3, 5);
  // A locked rotor is an impedance: it takes less as it pulls the voltage down.
  emit(atMs, part, { impedanceW: locked, powerW: 0, reactiveVar: 1.3 * locked });
  emit(atMs + random.between(200, 900), part, motor(watts));
}

/** On for `durationMs` from `atMs`. */
export function use(atMs: number, durationMs: number, part: number, draw: Draw, emit: Emit): void {
  emit(atMs, part, draw);
  emit(atMs + durationMs, part, NOTHING);
}

/** A thermostat that switches a heater while the appliance is in use. */
export function cycle(
  fromMs: number,
  toMs: number,
  part: number,
  draw: Draw,
  duty: { readonly onMs: number; readonly offMs: number },
  random: RandomStream,
  emit: Emit,
): void {
  for (let atMs = fromMs; atMs < toMs; ) {
    const onMs = duty.onMs * random.between(0.8, 1.2);
    use(atMs, Math.min(onMs, toMs - atMs), part, draw, emit);
    atMs += onMs + duty.offMs * random.between(0.8, 1.2);
  }
}

/** A moment at which somebody is up and at home, after `fromMs` and before `toMs` if there is one; else undefined. */
export function momentAtHome(
  day: HouseholdDay,
  fromMs: number,
  toMs: number,
  random: RandomStream,
): number | undefined {
  if (day.away) return undefined;
  for (let attempt = 0; attempt < 4; attempt += 1) {
    const atMs = random.between(fromMs, toMs);
    const up = atMs >= day.wakeMs && atMs < day.sleepMs;
    if (up && (atMs < day.leaveMs || atMs >= day.returnMs)) return atMs;
  }
  return undefined;
}
