// Everything a site's detectors are told, in one union. Time is device time throughout; `tick` says that
// time has passed without a reading (event time, made by the engine, so replay sees the same ticks).

import type { CapAlert } from '@afterwatt/storm';
import type { BatteryReading, IncidentKind, MeterReading } from '@afterwatt/wire';

/** Time has come to `at`; nothing else is said. */
export interface Tick {
  readonly kind: 'tick';
  readonly at: number;
}

/** A device's retained state message or Last Will, at the time it arrived. */
export interface DeviceState {
  readonly kind: 'state';
  readonly device: string;
  readonly at: number;
  readonly online: boolean | null;
  readonly firmware: string | null;
  readonly selfTestAt: number | null;
  readonly selfTestPassed: boolean | null;
  /** The device's own clock when it sent the message, ms since the Unix epoch. */
  readonly clockAt: number | null;
}

/**
 * How far device time lay behind arrival over the last minutes, for each device that was heard: the least of its
 * readings' ages, ms. Negative: its clock runs ahead.
 */
export interface Lags {
  readonly kind: 'lags';
  /** Arrival, ingest's clock. */
  readonly at: number;
  readonly leastMs: Readonly<Record<string, number>>;
  /** How many of its readings came after their time had been judged. */
  readonly late: Readonly<Record<string, number>>;
}

/** Nothing could be heard from `sinceMs` to `at` (ingest's clock): the ingest was away, not the devices. */
export interface Deaf {
  readonly kind: 'deaf';
  readonly at: number;
  readonly sinceMs: number;
}

/** A CAP 1.2 message that meets this site; `at` is its `sent`. */
export interface StormMessage {
  readonly kind: 'storm';
  readonly at: number;
  readonly alert: CapAlert;
}

/** Somebody says the fault is mended: evidence for it starts anew. */
export interface Mended {
  readonly kind: 'mended';
  readonly at: number;
  readonly incidentKind: IncidentKind;
  readonly subject: string;
}

export type SiteEvent =
  | MeterReading
  | BatteryReading
  | Tick
  | DeviceState
  | Lags
  | StormMessage
  | Mended
  | Deaf;
