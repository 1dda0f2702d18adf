// What a simulated home is told (a scenario) and what it tells (timed packets and the truth behind them).

import type { IncidentKind, Reading, Site } from '@afterwatt/wire';
import type { FaultName } from './faults/fault-name.ts';

/** [fromMs, toMs), milliseconds since the Unix epoch. */
export interface Span {
  readonly fromMs: number;
  readonly toMs: number;
}

/** A storm alert in force for a home: what is left of a CAP message once it was found to meet the site. */
export interface SiteAlert {
  readonly sentMs: number;
  readonly onsetMs: number;
  readonly expiresMs: number;
}

/** One fault at one home. */
export interface FaultSpec {
  readonly name: FaultName;
  /** As the incident's subject: 'L1', 'inlet 1', 'battery-1', 'meter-1 l1.p', ...; must be one of `subjects(site)`. */
  readonly subject: string;
  readonly onsetMs: number;
  /** null = stays. */
  readonly endMs: number | null;
  /** 0 = the mildest that must be found, 1 = the worst; what that is in volts or watts stands in the table. */
  readonly severity: number;
}

export interface HomeScenario {
  readonly site: Site;
  /** Everything random comes from it, split by name. */
  readonly seed: string;
  readonly fromMs: number;
  /** Infinity = go on for ever. */
  readonly toMs: number;
  readonly faults?: readonly FaultSpec[];
  readonly alerts?: readonly SiteAlert[];
  readonly outages?: readonly Span[];
  /** Before this instant devices report every `coarsePeriodS`, which they promise as SenML `ut`. */
  readonly coarseUntilMs?: number;
  /** Seconds; 60 unless told. */
  readonly coarsePeriodS?: number;
}

/** The JSON object of a device's state topic. */
export interface StateBody {
  readonly online?: boolean;
  readonly firmware?: string;
  readonly selfTest?: { readonly at: string; readonly passed: boolean; readonly detail?: string };
  readonly clock?: string;
}

/** One thing that reaches the broker at `at` (true time, not the device's). A reading's own `at` is device time. */
export type Packet =
  | { readonly kind: 'reading'; readonly at: number; readonly device: string; readonly reading: Reading }
  | { readonly kind: 'state'; readonly at: number; readonly device: string; readonly state: StateBody };

export interface KindAndSubject {
  readonly kind: IncidentKind;
  readonly subject: string;
}

/** What a fault is in truth: the incident that must be raised for it. */
export interface Truth extends KindAndSubject {
  readonly fault: FaultName;
  /** When the fault was made, true time. */
  readonly onsetMs: number;
  readonly endMs: number | null;
  /**
   * The first instant at which the fault had an effect that its incident is about (the first charge through a
   * reversed clamp, the first reading over the cap); null until then. Filled in while the home runs.
   */
  shownMs: number | null;
  /** Incidents that may rightly stand as well, because the fault brings them about. */
  readonly fair: readonly KindAndSubject[];
}

/** A home at work. Asking for packets makes time pass; as an iterable it gives what was not asked for before. */
export interface HomeSimulation extends Iterable<Packet> {
  readonly truths: readonly Truth[];
  /** The scenario's alerts and those that its storm faults need: the detectors must be told them too. */
  readonly alerts: readonly SiteAlert[];
  readonly outages: readonly Span[];
  /** The next to reach the broker; undefined when the time is up. */
  nextPacket(): Packet | undefined;
}
