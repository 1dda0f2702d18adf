// The tables as Kysely knows them; migrations/*.sql is what makes them.

import type { Priority, Site } from '@afterwatt/wire';
import type { ColumnType, Generated, JSONColumnType } from 'kysely';

type Instant = ColumnType<Date, Date | string, Date | string>;
type MaybeInstant = ColumnType<Date | null, Date | string | null | undefined, Date | string | null>;
type Json<T> = JSONColumnType<T & object, string, string>;

export interface Tables {
  company: { id: string; name: string };
  site: SiteTable;
  device: DeviceTable;
  credential: CredentialTable;
  api_token: ApiTokenTable;
  meter_reading: ReadingTable;
  battery_reading: ReadingTable;
  meter_packed: PackedTable;
  battery_packed: PackedTable;
  meter_1m: RollUpTable;
  meter_15m: RollUpTable;
  meter_1h: RollUpTable;
  meter_1d: RollUpTable;
  battery_1m: RollUpTable;
  battery_15m: RollUpTable;
  battery_1h: RollUpTable;
  battery_1d: RollUpTable;
  rollup_due: RollUpDueTable;
  device_state: DeviceStateTable;
  quarantine: QuarantineTable;
  quarantine_dropped: { company: string; dropped: number; last_at: Generated<Date> };
  pulse: { tx: Generated<number>; at: Instant; worker: string };
  worker: { name: string; service: string; seen_at: Generated<Date>; metrics: Json<unknown> };
  shard: { no: number; holder: string | null; lease_until: Instant; tx: number };
  fleet_state: { company: string; tx: number; state: Json<unknown> };
  replay: ReplayTable;
  detector_state: { site_no: number; tx: number; saved_at: Generated<Date>; state: Json<unknown> };
  storm_alert: StormAlertTable;
  incident: IncidentTable;
  incident_transition: IncidentTransitionTable;
}

export interface SiteTable {
  no: Generated<number>;
  id: string;
  company: string;
  name: string;
  region: string | null;
  config: Json<Site>;
  created_at: Generated<Date>;
  updated_at: Generated<Date>;
  deleted_at: MaybeInstant;
  tx: Generated<number>;
  /** Where its readings begin. */
  first_tx: Generated<number>;
}

export interface DeviceTable {
  no: Generated<number>;
  site_no: number;
  id: string;
  kind: 'meter' | 'battery';
  /** Registered time between its readings. */
  period_s: number;
  created_at: Generated<Date>;
}

export interface CredentialTable {
  username: string;
  secret_sha256: Buffer;
  /** See broker-hash.ts. */
  broker_hash: string | null;
  company: string;
  site_no: number | null;
  device_no: number | null;
  created_at: Generated<Date>;
  revoked_at: MaybeInstant;
}

export type CallerRole = 'installer' | 'homeowner' | 'support' | 'operator';

export interface ApiTokenTable {
  id: Generated<number>;
  name: string;
  token_sha256: Buffer;
  role: CallerRole;
  company: string | null;
  sites: Generated<string[]>;
  created_at: Generated<Date>;
  revoked_at: MaybeInstant;
}

/** The columns every reading has; the quantities are listed in wire's METER_QUANTITIES and BATTERY_QUANTITIES. */
export interface ReadingTable {
  at: Instant;
  tx: number;
  site_no: number;
  device_no: number;
}

/** An hour of one device, an array for each column of the reading table; see pack-readings.ts. */
export interface PackedTable {
  /** Start of the hour. */
  at: Instant;
  /** The latest of its readings. */
  tx: number;
  site_no: number;
  device_no: number;
  times: readonly Date[];
}

/** The columns every roll-up has; roll-up-sql.ts knows the others. */
export interface RollUpTable {
  /** Start of the stretch. */
  at: Instant;
  site_no: number;
  device_no: number;
  readings: number;
  covered_s: number;
}

export interface RollUpDueTable {
  site_no: number;
  device_no: number;
  kind: DeviceTable['kind'];
  bin: '1m' | '15m' | '1h' | '1d';
  at: Instant;
}

export interface DeviceStateTable {
  received_at: Instant;
  tx: Generated<number>;
  site_no: number;
  device_no: number;
  online: boolean | null;
  firmware: string | null;
  self_test_at: MaybeInstant;
  self_test_passed: boolean | null;
  self_test_detail: string | null;
  clock_at: MaybeInstant;
  settings: JSONColumnType<object, string | null, string | null> | null;
}

export interface QuarantineTable {
  id: Generated<number>;
  received_at: ColumnType<Date, Date | undefined, never>;
  company: string | null;
  site: string | null;
  device: string | null;
  reason: string;
  detail: string;
  record: string | null;
  topic: string;
  content_type: string | null;
  /** null on all but the first row of a message. */
  payload: Buffer | null;
  records: Generated<number>;
  tx: Generated<number>;
  message_no: Generated<number>;
  digest: Buffer | null;
  replay_at: MaybeInstant;
}

export interface StormAlertTable {
  id: Generated<number>;
  tx: Generated<number>;
  received_at: Generated<Date>;
  sender: string;
  identifier: string;
  sent_at: Instant;
  expires_at: MaybeInstant;
  alert: Json<unknown>;
  document: string;
}

export interface IncidentTable {
  id: string;
  company: string;
  site: string | null;
  site_no: number | null;
  kind: string;
  subject: string;
  priority: Priority;
  state: 'active' | 'cleared';
  onset_at: Instant;
  detected_at: Instant;
  raised_at: Generated<Date>;
  cleared_at: MaybeInstant;
  cleared_why: string | null;
  late: boolean;
  chattering: boolean;
  confidence: number;
  headline: string;
  explanation: string;
  steps: string[];
  caution: string | null;
  homeowner: string | null;
  facts: Json<Record<string, unknown>>;
  evidence: Json<StoredEvidence>;
  acknowledged_at: MaybeInstant;
  acknowledged_by: string | null;
  shelved_until: MaybeInstant;
}

/** Evidence as an incident keeps it, in the contract's words. */
export interface StoredEvidence {
  readonly from: string;
  readonly to: string;
  readonly series: readonly string[];
  readonly figures: readonly { label: string; value: number | string; unit: string; source: string }[];
}

export interface IncidentTransitionTable {
  id: Generated<number>;
  tx: Generated<number>;
  incident_id: string;
  type: 'raised' | 'updated' | 'cleared' | 'acknowledged' | 'shelved' | 'unshelved' | 'note' | 'mended';
  at: Generated<Date>;
  event_at: MaybeInstant;
  by: string;
  note: string | null;
}

export interface ReplayTable {
  id: Generated<string>;
  company: string;
  asked_by: string;
  asked_at: Generated<Date>;
  sites: number[];
  from_at: Instant;
  to_at: Instant;
  thresholds: Json<Record<string, Record<string, number>>>;
  state: Generated<'waiting' | 'running' | 'done' | 'failed'>;
  progress: Generated<number>;
  seen_at: MaybeInstant;
  result: JSONColumnType<object, string | null, string | null> | null;
  failure: string | null;
}
