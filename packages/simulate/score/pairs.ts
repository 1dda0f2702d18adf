// Two faults at one home at the same time: which can be put together, so that both can be seen.

import type { IncidentKind } from '@afterwatt/wire';
import type { RandomStream } from '../random.ts';

/** What a fault acts on. Two that act on the same are one fault, or undo each other. */
type Part =
  | 'clamps'
  | 'inlet load'
  | 'circuit'
  | 'service'
  | 'outage'
  | 'dispatch'
  | 'cells'
  | 'sensor'
  | 'device';

const PART: Readonly<Record<Exclude<IncidentKind, 'fleet-silence'>, Part>> = {
  'service-ct-reversed': 'clamps',
  'service-ct-swapped': 'clamps',
  'inlet-ct-reversed': 'clamps',
  'inlet-ct-swapped': 'clamps',
  'ct-no-signal': 'clamps',
  'ct-ratio': 'clamps',
  'inlet-over-cap': 'inlet load',
  'inlet-continuous-load': 'inlet load',
  'inlet-circuit-resistance': 'circuit',
  'open-neutral': 'service',
  'voltage-out-of-range': 'service',
  'backfeed-in-outage': 'outage',
  'reserve-forecast': 'outage',
  'reserve-low': 'dispatch',
  'reserve-setting': 'dispatch',
  'storm-charge-stalled': 'dispatch',
  'storm-charge-behind': 'dispatch',
  'storm-discharging': 'dispatch',
  'tariff-charge-in-peak': 'dispatch',
  'tariff-discharge-in-super-off-peak': 'dispatch',
  'tariff-off-peak-depth': 'dispatch',
  'tariff-clock-shift': 'dispatch',
  'battery-energy-mismatch': 'cells',
  'battery-hot': 'cells',
  'device-silent': 'device',
  'device-clock-skew': 'device',
  'readings-lost': 'device',
  'sensor-flatline': 'sensor',
  'radio-weak': 'device',
  'self-test-missing': 'device',
};

const HIDE_EACH_OTHER: readonly (readonly [Part, Part])[] = [
  // A heater on the inlet holds the battery, without whose steps nothing is proven of clamps and conductors.
  ['inlet load', 'clamps'],
  ['inlet load', 'circuit'],
  ['inlet load', 'cells'],
  ['inlet load', 'dispatch'],
  // A dead panel shows nothing of the service, the clamps or the tariff.
  ['outage', 'clamps'],
  ['outage', 'circuit'],
  ['outage', 'service'],
  ['outage', 'dispatch'],
  ['outage', 'inlet load'],
  // Capacity is measured over whole cycles, which a wrong schedule may not make.
  ['dispatch', 'cells'],
  // The quantity that stands still may be the one that would show it.
  ['sensor', 'clamps'],
  ['sensor', 'circuit'],
  ['sensor', 'service'],
  ['sensor', 'device'],
];

type Pair = readonly [keyof typeof PART, keyof typeof PART];

const KINDS = Object.keys(PART) as (keyof typeof PART)[];

/** All pairs of kinds that a home can have at the same time. */
export const PAIRS: readonly Pair[] = KINDS.flatMap((first, index) =>
  KINDS.slice(index + 1).flatMap((second): Pair[] => (goTogether(first, second) ? [[first, second]] : [])),
);

export function pickPair(random: RandomStream): Pair {
  const pair = PAIRS[Math.floor(random.uniform() * PAIRS.length)];
  if (pair === undefined) throw new Error('there are no pairs');
  return pair;
}

function goTogether(first: keyof typeof PART, second: keyof typeof PART): boolean {
  const [a, b] = [PART[first], PART[second]];
  return a !== b && !HIDE_EACH_OTHER.some(([x, y]) => (a === x && b === y) || (a === y && b === x));
}
