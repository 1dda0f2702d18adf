import type { Site } from '@afterwatt/wire';
import type { BatteryConditions, Conditions, DeviceConditions, InletConditions } from '../conditions.ts';
import type { FaultSpec, KindAndSubject, SiteAlert, Span } from '../scenario.ts';
import type { World } from '../world.ts';

/** One way in which a home can be at fault. */
export interface Fault {
  /** What severity 0 and 1 mean. */
  readonly severity: string;
  /** The subjects it can have at a site; none where it cannot happen. */
  readonly subjects: (site: Site) => readonly string[];
  /** The incidents that must be raised for it. */
  readonly tells: (spec: FaultSpec, site: Site) => readonly KindAndSubject[];
  /** Incidents that may rightly stand as well. */
  readonly fair?: (spec: FaultSpec, site: Site) => readonly KindAndSubject[];
  /** It has to be prepared this long before its onset: a battery that shall fail to charge must not be full. */
  readonly leadMs?: number;
  /** It gets worse for this long after its onset. */
  readonly growsForMs?: number;
  /** The storm alert or the outage without which it cannot show. */
  readonly alert?: (spec: FaultSpec) => SiteAlert;
  readonly outage?: (spec: FaultSpec) => Span;
  /**
   * Makes it: called from `onset - lead` to the end, for conditions that are healthy but for other faults. `atMs`
   * matters only as before or after the onset, and to faults that grow.
   */
  readonly apply: (conditions: Conditions, spec: FaultSpec, site: Site, atMs: number) => void;
  /** Has it had an effect that its incident is about? Asked from the onset on, until it has. */
  readonly shows: (world: World, spec: FaultSpec) => boolean;
  /** It counts as shown once it has shown for this long without a break, and from the beginning of that. */
  readonly showsForMs?: number;
}

export const MINUTE_MS = 60_000;
export const HOUR_MS = 3_600_000;
export const DAY_MS = 86_400_000;

/** From `mild` at severity 0 to `worst` at severity 1. */
export function graded(spec: FaultSpec, mild: number, worst: number): number {
  return mild + (worst - mild) * spec.severity;
}

/** The same, evenly in the logarithm. */
export function gradedLog(spec: FaultSpec, mild: number, worst: number): number {
  return mild * (worst / mild) ** spec.severity;
}

export const legs = (): readonly string[] => ['L1', 'L2'];
export const service = (): readonly string[] => ['service'];
export const inlets = (site: Site): readonly string[] => site.inlets.map(({ number }) => `inlet ${number}`);
export const bothInlets = (site: Site): readonly string[] => (site.inlets.length === 2 ? ['inlets'] : []);
export const inletsInUse = (site: Site): readonly string[] =>
  inlets(site).filter((subject) => site.batteries.some(({ inlet }) => subject === `inlet ${inlet}`));
export const batteries = (site: Site): readonly string[] => site.batteries.map(({ device }) => device);
export const devices = (site: Site): readonly string[] => [site.meter.device, ...batteries(site)];

/** 0 or 1 from 'inlet 1' or 'inlet 2'. */
export function inletIndex(subject: string): 0 | 1 {
  return subject === 'inlet 2' ? 1 : 0;
}

export function batteryIndex(site: Site, subject: string): number {
  return site.batteries.findIndex(({ device }) => device === subject);
}

export function inletOf(conditions: Conditions, subject: string): InletConditions {
  return conditions.inlets[inletIndex(subject)];
}

export function batteryOf(conditions: Conditions, site: Site, subject: string): BatteryConditions {
  return known(conditions.batteries[batteryIndex(site, subject)], subject);
}

export function deviceOf(conditions: Conditions, site: Site, subject: string): DeviceConditions {
  const device = subject.split(' ')[0] ?? subject;
  return known(conditions.devices[devices(site).indexOf(device)], subject);
}

/** The batteries that are plugged into an inlet. */
export function batteriesOnInlet(conditions: Conditions, site: Site, subject: string): BatteryConditions[] {
  return conditions.batteries.filter((_, index) => `inlet ${site.batteries[index]?.inlet}` === subject);
}

/** The point at the panel of the inlet that a subject names. */
export function inletPoint(world: World, subject: string) {
  const index = world.site.inlets.findIndex(({ number }) => subject === `inlet ${number}`);
  return known(world.inlets[index], subject);
}

export function inletSite(site: Site, subject: string) {
  return known(
    site.inlets.find(({ number }) => subject === `inlet ${number}`),
    subject,
  );
}

export function batteryPoint(world: World, subject: string) {
  return known(world.batteries[batteryIndex(world.site, subject)], subject).point;
}

export function siteBattery(site: Site, subject: string) {
  return known(site.batteries[batteryIndex(site, subject)], subject);
}

export function known<T>(value: T | undefined, subject: string): T {
  if (value === undefined) throw new RangeError(`the site has no ${subject}`);
  return value;
}

export function kindsOf(subject: string, ...kinds: readonly KindAndSubject['kind'][]): KindAndSubject[] {
  return kinds.map((kind) => ({ kind, subject }));
}

export function hasPeriod(site: Site, period: string): boolean {
  return (site.tariff?.seasons ?? []).some((season) =>
    [...season.weekday, ...season.weekend].some((span) => span.period === period),
  );
}
