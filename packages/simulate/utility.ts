// The utility's side of the transformer: a voltage that drifts, is stepped by regulators, dips now and then,
// and is sometimes away for moments. A function of time alone.

import { randomStream } from './random.ts';
import type { Span } from './scenario.ts';
import { dayValues } from './smooth-noise.ts';

const DAY_MS = 86_400_000;
const SLOW_KNOTS_A_DAY = 288;
const FAST_KNOTS_A_DAY = 4320;
/** Line regulators move in 32 steps of 5/8 per cent (common practice). */
const REGULATOR_STEP_PU = 0.00625;
/** Of the service of a usual home, from the transformer (common practice). */
const SERVICE_OHM = 0.04;
/** Mean times between short disturbances (from memory: a few of each a year at one home). */
const DIPS_A_DAY = 0.05;
const MOMENTARY_OUTAGES_A_DAY = 0.008;

export interface Utility {
  /** No-load voltage of one leg, V rms; what it is while the utility is away is not said. */
  sourceV(atMs: number): number;
  frequencyHz(atMs: number): number;
  isPresent(atMs: number): boolean;
}

/**
 * @param outages beyond the moments that every home has now and then
 * @param generationW the most that the home feeds, W: the utility that allowed it has set its taps so that the voltage
 * which that makes stays within range A (ANSI C84.1), as it does at any healthy home
 */
export function utilityAt(
  seed: string,
  nominalV: number,
  outages: readonly Span[],
  generationW: number,
): Utility {
  const random = randomStream(seed, 'utility');
  const levelV = nominalV * random.between(1.01, 1.022) - (generationW / 2 / nominalV) * SERVICE_OHM;
  const eveningSagV = nominalV * random.between(0.002, 0.007);
  const eveningHour = random.between(0, 24);
  const eveningV = Array.from(
    { length: SLOW_KNOTS_A_DAY },
    (_, knot) => eveningSagV * Math.cos(2 * Math.PI * (knot / SLOW_KNOTS_A_DAY - eveningHour / 24)),
  );
  const slowV = dayValues(SLOW_KNOTS_A_DAY, (day) =>
    correlatedKnots(seed, 'slow', day, SLOW_KNOTS_A_DAY, 0.45).map(
      (value, knot) => value + levelV + (eveningV[knot] ?? 0),
    ),
  );
  const fastV = dayValues(FAST_KNOTS_A_DAY, (day) =>
    correlatedKnots(seed, 'fast', day, FAST_KNOTS_A_DAY, 0.06),
  );
  const frequency = dayValues(SLOW_KNOTS_A_DAY, (day) =>
    correlatedKnots(seed, 'frequency', day, SLOW_KNOTS_A_DAY, 0.015),
  );
  let today = disturbancesOfDay(seed, Number.NaN);

  function disturbances(atMs: number): Disturbances {
    const day = Math.floor(atMs / DAY_MS);
    if (day !== today.day) today = disturbancesOfDay(seed, day);
    return today;
  }

  return {
    sourceV(atMs) {
      const { steps, dips } = disturbances(atMs);
      let step = 0;
      for (const change of steps) if (atMs >= change.atMs) step = change.step;
      let dip = 1;
      for (const d of dips) if (atMs >= d.fromMs && atMs < d.toMs) dip = d.depthPu;
      return dip * (slowV(atMs) + step * REGULATOR_STEP_PU * nominalV + fastV(atMs));
    },
    frequencyHz: (atMs) => 60 + frequency(atMs),
    isPresent(atMs) {
      for (const outage of outages) if (atMs >= outage.fromMs && atMs < outage.toMs) return false;
      for (const moment of disturbances(atMs).away) {
        if (atMs >= moment.fromMs && atMs < moment.toMs) return false;
      }
      return true;
    },
  };
}

interface Disturbances {
  readonly day: number;
  readonly steps: readonly { readonly atMs: number; readonly step: number }[];
  readonly dips: readonly (Span & { readonly depthPu: number })[];
  readonly away: readonly Span[];
}

function disturbancesOfDay(seed: string, day: number): Disturbances {
  if (Number.isNaN(day)) return { day, steps: [], dips: [], away: [] };
  const random = randomStream(seed, 'disturbances', day);
  const startMs = day * DAY_MS;
  const steps = [{ atMs: startMs, step: lastStepOfDay(seed, day - 1) }, ...stepsOfDay(seed, day)];
  const dips = [];
  for (let atMs = startMs + random.exponential(DAY_MS / DIPS_A_DAY); atMs < startMs + DAY_MS; ) {
    dips.push({ fromMs: atMs, toMs: atMs + random.between(50, 1500), depthPu: random.between(0.6, 0.93) });
    atMs += random.exponential(DAY_MS / DIPS_A_DAY);
  }
  const away = [];
  if (random.chance(MOMENTARY_OUTAGES_A_DAY)) {
    const fromMs = startMs + random.uniform() * (DAY_MS - 60_000);
    away.push({ fromMs, toMs: fromMs + random.between(1000, 45_000) });
  }
  return { day, steps, dips, away };
}

/** Where a regulator stands through the day, in steps from its middle. */
function stepsOfDay(seed: string, day: number): { atMs: number; step: number }[] {
  const random = randomStream(seed, 'regulator', day);
  const steps = [];
  for (let atMs = random.exponential(DAY_MS / 4); atMs < DAY_MS; atMs += random.exponential(DAY_MS / 4)) {
    steps.push({ atMs: day * DAY_MS + atMs, step: random.pick([-1, 0, 0, 1]) });
  }
  return steps;
}

function lastStepOfDay(seed: string, day: number): number {
  return stepsOfDay(seed, day).at(-1)?.step ?? 0;
}

/** A first-order autoregression with a memory of a few knots, started anew each day. */
function correlatedKnots(seed: string, name: string, day: number, knots: number, sigma: number): number[] {
  const random = randomStream(seed, name, day);
  const memory = 0.85;
  const push = sigma * Math.sqrt(1 - memory * memory);
  let value = sigma * random.normal();
  return Array.from({ length: knots }, () => {
    value = memory * value + push * random.normal();
    return value;
  });
}
