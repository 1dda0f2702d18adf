// Faults of the devices themselves and of their way to the broker.

import type { Site } from '@afterwatt/wire';
import {
  DAY_MS,
  deviceOf,
  devices,
  type Fault,
  graded,
  gradedLog,
  HOUR_MS,
  kindsOf,
  MINUTE_MS,
} from './fault.ts';
import { TARIFF_KINDS } from './tariff.ts';

const always: Fault['shows'] = () => true;

export const deviceSilent: Fault = {
  severity: 'below 0.5 without, else with a Last Will',
  subjects: devices,
  tells: ({ subject }) => [{ kind: 'device-silent', subject }],
  apply(conditions, spec, site) {
    const device = deviceOf(conditions, site, spec.subject);
    device.silent = true;
    device.lastWill = spec.severity >= 0.5;
  },
  shows: always,
};

/** The same hour for many homes: the scorer gives it to all sites of a region or a broker. */
export const fleetSilence: Fault = {
  severity: 'no grades',
  subjects: (site) => [site.region ?? 'broker'],
  tells: ({ subject }) => [{ kind: 'fleet-silence', subject }],
  // A home's own silence is known before that of its region.
  fair: (_, site) => devices(site).map((subject) => ({ kind: 'device-silent', subject })),
  apply({ devices: all }) {
    for (const device of all) device.silent = true;
  },
  shows: always,
};

export const deviceClockSkew: Fault = {
  severity: '0: 45 s, 1: an hour; ahead for a battery, behind for a meter',
  subjects: devices,
  tells: ({ subject }) => [{ kind: 'device-clock-skew', subject }],
  // By the time that the unit tells, its schedule is off by as much.
  fair: ({ subject }, site) =>
    subject === site.meter.device ? [] : kindsOf(subject, 'tariff-clock-shift', ...TARIFF_KINDS),
  apply(conditions, spec, site) {
    const sign = spec.subject === site.meter.device ? -1 : 1;
    deviceOf(conditions, site, spec.subject).clockSkewMs = sign * gradedLog(spec, 45_000, HOUR_MS);
  },
  shows: always,
};

export const readingsLost: Fault = {
  severity: '0: 3 % of them, 1: 40 %',
  subjects: devices,
  tells: ({ subject }) => [{ kind: 'readings-lost', subject }],
  apply(conditions, spec, site) {
    deviceOf(conditions, site, spec.subject).lossRate = gradedLog(spec, 0.03, 0.4);
  },
  shows: always,
};

/** What a leg has to carry before a figure of it that stands still is odd, W. */
const FLATLINE_SHOWS_W = 100;

/** The quantities that move in every home, so that one that stands still is not just a quiet one. */
function movingQuantities(site: Site): string[] {
  const meter = ['l1.v', 'l1.i', 'l1.p', 'l2.v', 'l2.i', 'l2.p'].map((q) => `${site.meter.device} ${q}`);
  return [...meter, ...site.batteries.map(({ device }) => `${device} ac.v`)];
}

export const sensorFlatline: Fault = {
  severity: 'no grades',
  subjects: movingQuantities,
  tells: ({ subject }) => [{ kind: 'sensor-flatline', subject }],
  apply(conditions, spec, site) {
    deviceOf(conditions, site, spec.subject).frozen = spec.subject.split(' ')[1] ?? null;
  },
  // Near nothing a current or a power may well stand still: an empty leg shows the same digit all day.
  shows(world, { subject, onsetMs }) {
    const quantity = subject.split(' ')[1] ?? '';
    const carriesW = Math.abs((quantity.startsWith('l1') ? world.l1 : world.l2).powerW);
    return world.atMs > onsetMs + 30 * MINUTE_MS && (quantity.endsWith('.v') || carriesW > FLATLINE_SHOWS_W);
  },
};

export const radioWeak: Fault = {
  severity: '0: the median falls to -79 dBm, 1: to -92 dBm',
  subjects: devices,
  tells: ({ subject }) => [{ kind: 'radio-weak', subject }],
  apply(conditions, spec, site) {
    deviceOf(conditions, site, spec.subject).rssiMedianDbm = graded(spec, -79, -92);
  },
  shows: always,
};

export const selfTestMissing: Fault = {
  severity: 'below 0.5 none is made after a change of firmware, else it fails',
  subjects: devices,
  tells: ({ subject }) => [{ kind: 'self-test-missing', subject }],
  apply(conditions, spec, site) {
    deviceOf(conditions, site, spec.subject).selfTest = spec.severity < 0.5 ? 'is not made' : 'fails';
  },
  shows: (world, { onsetMs }) => world.atMs > onsetMs + DAY_MS,
};
