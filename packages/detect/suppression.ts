// Which cause explains which consequence, as data (ISA-18.2: suppressed by design). While a cause stands, its
// consequences are not raised. One that already stood is closed where the cause explains it; where the cause only
// keeps it from being judged, it stands on until it is seen absent: no clamp is turned by a meter that is not heard.

import type { IncidentKind, Site } from '@afterwatt/wire';

export interface Suppression {
  readonly cause: IncidentKind;
  readonly consequences: readonly IncidentKind[];
  /** Does this cause's subject explain that consequence's subject? */
  readonly meets: (causeSubject: string, consequenceSubject: string, site: Site) => boolean;
  readonly why: string;
  /** What becomes of a consequence that already stands. */
  readonly standing: 'closes' | 'stays';
}

const anySubject = () => true;
const isMeter = (subject: string, _: string, site: Site) => subject === site.meter.device;
const isThatSubject = (cause: string, consequence: string) => cause === consequence;
const batteryOnInlet = (inlet: string, battery: string, site: Site) =>
  site.batteries.some((b) => b.device === battery && inlet === `inlet ${b.inlet}`);

const WIRING: readonly IncidentKind[] = [
  'service-ct-reversed',
  'service-ct-swapped',
  'inlet-ct-reversed',
  'inlet-ct-swapped',
  'ct-no-signal',
  'ct-ratio',
];
const TARIFF: readonly IncidentKind[] = [
  'tariff-charge-in-peak',
  'tariff-discharge-in-super-off-peak',
  'tariff-off-peak-depth',
  'tariff-clock-shift',
];

export const SUPPRESSIONS: readonly Suppression[] = [
  {
    cause: 'device-silent',
    consequences: [
      ...WIRING,
      ...TARIFF,
      'sensor-flatline',
      'voltage-out-of-range',
      'inlet-circuit-resistance',
    ],
    meets: isMeter,
    why: 'no wiring is judged, nor what the grid was asked for, while the meter is not heard',
    standing: 'stays',
  },
  {
    cause: 'device-silent',
    consequences: [
      ...TARIFF,
      'reserve-forecast',
      'storm-charge-stalled',
      'storm-charge-behind',
      'storm-discharging',
      'battery-energy-mismatch',
    ],
    meets: isThatSubject,
    why: 'nothing is judged from a battery that is not heard',
    standing: 'stays',
  },
  {
    cause: 'device-silent',
    consequences: ['radio-weak', 'readings-lost'],
    meets: isThatSubject,
    why: 'a device that is not heard at all loses nothing more',
    standing: 'stays',
  },
  {
    cause: 'device-clock-skew',
    consequences: ['device-silent'],
    meets: isThatSubject,
    why: 'a device that is heard, but at another time',
    standing: 'closes',
  },
  {
    cause: 'device-clock-skew',
    consequences: [...WIRING, 'inlet-circuit-resistance'],
    meets: anySubject,
    why: 'steps of two devices cannot be matched while their clocks differ',
    standing: 'stays',
  },
  {
    cause: 'storm-discharging',
    consequences: ['storm-charge-stalled', 'storm-charge-behind'],
    meets: isThatSubject,
    why: 'a battery that feeds does not charge',
    standing: 'closes',
  },
  {
    cause: 'storm-charge-stalled',
    consequences: ['storm-charge-behind'],
    meets: isThatSubject,
    why: 'a battery that takes no charge arrives never',
    standing: 'closes',
  },
  {
    cause: 'inlet-ct-reversed',
    consequences: ['battery-energy-mismatch'],
    meets: batteryOnInlet,
    why: 'energy counted through a reversed clamp cannot agree with the state of charge',
    standing: 'closes',
  },
  {
    cause: 'open-neutral',
    consequences: [...WIRING, 'voltage-out-of-range', 'inlet-circuit-resistance'],
    meets: anySubject,
    why: 'a loose neutral moves both leg voltages, and what one leg draws runs through the other',
    standing: 'closes',
  },
  {
    cause: 'tariff-clock-shift',
    consequences: ['tariff-charge-in-peak', 'tariff-discharge-in-super-off-peak', 'tariff-off-peak-depth'],
    meets: isThatSubject,
    why: 'a shifted clock moves every switching time',
    standing: 'closes',
  },
];
