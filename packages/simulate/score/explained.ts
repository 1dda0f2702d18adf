// Of two faults at one home, one may hide the other or be all that can be said about it (alarms: suppressed by
// design, ISA-18.2). Then only the cause has to be named. Written down here apart from the rules that are judged.

import type { IncidentKind, Site } from '@afterwatt/wire';
import type { KindAndSubject } from '../scenario.ts';

const WIRING: readonly IncidentKind[] = [
  'service-ct-reversed',
  'service-ct-swapped',
  'inlet-ct-reversed',
  'inlet-ct-swapped',
  'ct-no-signal',
  'ct-ratio',
];
const SEEN_BY_METER: readonly IncidentKind[] = [
  ...WIRING,
  'inlet-over-cap',
  'inlet-continuous-load',
  'inlet-circuit-resistance',
  'open-neutral',
  'voltage-out-of-range',
  'tariff-charge-in-peak',
  'tariff-discharge-in-super-off-peak',
  'tariff-off-peak-depth',
  'tariff-clock-shift',
];

/** Whether a fault leaves nothing of its own to be told about another one. */
export function explains(cause: KindAndSubject, consequence: KindAndSubject, site: Site): boolean {
  switch (cause.kind) {
    case 'device-silent':
      if (cause.subject === site.meter.device && SEEN_BY_METER.includes(consequence.kind)) return true;
      if (isProvenBy(cause.subject, consequence, site)) return true;
      return consequence.subject.split(' ')[0] === cause.subject;
    case 'device-clock-skew':
      // Steps of two devices cannot be matched while their clocks differ.
      return WIRING.includes(consequence.kind) || consequence.kind === 'inlet-circuit-resistance';
    case 'open-neutral':
      return (
        consequence.kind === 'voltage-out-of-range' ||
        consequence.kind === 'inlet-circuit-resistance' ||
        WIRING.includes(consequence.kind)
      );
    case 'inlet-ct-reversed':
      return consequence.kind === 'battery-energy-mismatch';
    default:
      return false;
  }
}

/** Is this battery the only one by whose steps a clamp, or by whose voltage a circuit, can be proven? */
function isProvenBy(device: string, { kind, subject }: KindAndSubject, { batteries }: Site): boolean {
  if (!WIRING.includes(kind) && kind !== 'inlet-circuit-resistance') return false;
  const isBattery = batteries.some((battery) => battery.device === device);
  const ofOneInlet = subject.startsWith('inlet ');
  const others = batteries.filter(
    (battery) => battery.device !== device && (!ofOneInlet || subject === `inlet ${battery.inlet}`),
  );
  return isBattery && others.length === 0;
}
