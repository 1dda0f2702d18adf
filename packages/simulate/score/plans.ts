// How each kind is put to the test: the faults that bring it about, what the home is given to learn before, how
// long the fault may take to show and to be told, and the target that the delay is held against.

import type { IncidentKind, Site } from '@afterwatt/wire';
import type { FaultName } from '../faults/fault-name.ts';

export interface Plan {
  readonly faults: readonly [FaultName, ...FaultName[]];
  /** Between these, hours: from the first reading to the fault. */
  readonly leadHours: readonly [number, number];
  /** A fault that has not shown by then is not counted. */
  readonly showsWithinHours: number;
  /** It must be told this long after it showed. */
  readonly toldWithinHours: number;
  /** After a mend its incident must clear by itself this long, and not come back. */
  readonly clearsWithinHours: number;
  /** The delay for 95 of 100, seconds; null where none is asked. */
  readonly targetS: number | null;
  /** Counted from the battery's first step of power after the fault, because nothing is to be seen before. */
  readonly fromFirstStep: boolean;
  /** Faults that grow over days: they have no moment from which a delay could be counted. */
  readonly gradual: readonly FaultName[];
  /** Homes in which it can be seen at all. */
  readonly canShow: (site: Site) => boolean;
}

/** Of `ac.p` from one reading to the next, W: what the clamps are proven by. */
export const STEP_W = 150;

const plan = (
  faults: Plan['faults'],
  [leadFrom, leadTo, showsWithinHours, toldWithinHours]: readonly [number, number, number, number],
  more: Partial<Pick<Plan, 'clearsWithinHours' | 'targetS' | 'fromFirstStep' | 'gradual' | 'canShow'>> = {},
): Plan => ({
  faults,
  leadHours: [leadFrom, leadTo],
  showsWithinHours,
  toldWithinHours,
  clearsWithinHours: 24,
  targetS: null,
  fromFirstStep: false,
  gradual: [],
  canShow: () => true,
  ...more,
});

const FROM_STEPS = { fromFirstStep: true };
/** Judged by the next period of its name: over a weekend and a holiday there may be none. */
const BY_NEXT_PERIOD = { clearsWithinHours: 96 };

/** Hours: lead from, lead to, shows within, told within. */
export const PLANS: Readonly<Record<IncidentKind, Plan>> = {
  'service-ct-reversed': plan(
    [
      'service-ct-reversed',
      'service-ct-reversed',
      'service-ct-both-reversed',
      'service-ct-swapped-one-reversed',
    ],
    [0.1, 36, 48, 48],
    { ...FROM_STEPS, targetS: 86_400 },
  ),
  'service-ct-swapped': plan(
    ['service-ct-swapped', 'service-ct-swapped', 'service-ct-swapped-both-reversed'],
    [0.1, 36, 48, 48],
    FROM_STEPS,
  ),
  'inlet-ct-reversed': plan(['inlet-ct-reversed'], [0.1, 36, 48, 12], { targetS: 180 }),
  'inlet-ct-swapped': plan(['inlet-ct-swapped'], [0.1, 36, 48, 24]),
  'ct-no-signal': plan(['ct-no-signal'], [0.1, 36, 48, 36], FROM_STEPS),
  'ct-ratio': plan(['ct-ratio'], [0.1, 36, 48, 48], FROM_STEPS),
  'inlet-over-cap': plan(['inlet-over-cap', 'inlet-over-cap-foreign-load'], [0.1, 12, 72, 1], {
    targetS: 15,
  }),
  'inlet-continuous-load': plan(['inlet-continuous-load'], [0.1, 6, 4, 2]),
  'inlet-circuit-resistance': plan(['inlet-circuit-resistance'], [12, 48, 96, 48]),
  'open-neutral': plan(['open-neutral', 'open-neutral', 'open-neutral-slow'], [1, 48, 60, 12], {
    targetS: 15,
    gradual: ['open-neutral-slow'],
  }),
  'voltage-out-of-range': plan(['voltage-out-of-range'], [0.1, 12, 12, 3]),
  'backfeed-in-outage': plan(['backfeed-in-outage'], [0.5, 24, 1, 0.5], { targetS: 15 }),
  'reserve-low': plan(['reserve-low'], [1, 12, 72, 2]),
  'reserve-forecast': plan(['reserve-forecast'], [6, 72, 24, 2]),
  'reserve-setting': plan(['reserve-setting'], [1, 6, 1, 3]),
  'storm-charge-stalled': plan(['storm-charge-stalled'], [26, 40, 12, 2], { targetS: 720 }),
  'storm-charge-behind': plan(['storm-charge-behind'], [26, 40, 8, 6]),
  'storm-discharging': plan(['storm-discharging'], [26, 40, 10, 2]),
  'tariff-charge-in-peak': plan(['tariff-charge-in-peak'], [6, 24, 96, 6], {
    // A unit that charges from the roof costs nothing.
    canShow: ({ service }) => !service.otherGeneration,
    ...BY_NEXT_PERIOD,
  }),
  'tariff-discharge-in-super-off-peak': plan(
    ['tariff-discharge-in-super-off-peak'],
    [6, 24, 96, 6],
    BY_NEXT_PERIOD,
  ),
  'tariff-off-peak-depth': plan(['tariff-off-peak-depth'], [6, 24, 96, 12], BY_NEXT_PERIOD),
  // The wrong switching has to pass out of the week it is judged by, as it had to fill it before.
  'tariff-clock-shift': plan(['tariff-clock-shift'], [6, 120, 96, 192], { clearsWithinHours: 192 }),
  'battery-energy-mismatch': plan(['battery-energy-mismatch'], [6, 72, 96, 216], {
    // As many swings of the gauge as it takes to be told.
    clearsWithinHours: 216,
    // Without a tariff a battery stays full, and its gauge never moves.
    canShow: ({ tariff }) => tariff !== null,
  }),
  'battery-hot': plan(['battery-hot'], [6, 36, 12, 2]),
  'device-silent': plan(['device-silent'], [0.5, 12, 1, 1]),
  'device-clock-skew': plan(['device-clock-skew'], [0.5, 12, 1, 3]),
  'readings-lost': plan(['readings-lost'], [2, 12, 1, 3]),
  'sensor-flatline': plan(['sensor-flatline'], [2, 24, 1, 12]),
  'radio-weak': plan(['radio-weak'], [2, 12, 1, 3]),
  'self-test-missing': plan(['self-test-missing'], [2, 24, 25, 4]),
  'fleet-silence': plan(['fleet-silence'], [1, 2, 1, 1]),
};
