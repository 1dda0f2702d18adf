export {
  type AlarmPerformance,
  FLOOD_RAISES,
  readAlarmPerformance,
  STALE_HOURS,
} from './alarm-performance.ts';
export { asCaller, type Caller, openSite } from './as-caller.ts';
export { brokerHash } from './broker-hash.ts';
export { type BrokerUser, listBrokerUsers } from './broker-users.ts';
export {
  type CommittedMended,
  type CommittedPulse,
  type CommittedReading,
  type CommittedState,
  findClock,
  findNextWindow,
  listMended,
  listPulses,
  listReadings,
  listSiteReadings,
  listStates,
  SHARD_COUNT,
  type Window,
} from './committed.ts';
export { type Connection, connect, type Database, type DatabaseRole, isReachable } from './connect.ts';
export {
  type CredentialScope,
  insertCredential,
  listCredentials,
  markCredentialRevoked,
  type NewCredential,
  type StoredCredential,
} from './credentials.ts';
export { findDetectorState } from './detector-states.ts';
export {
  type DeviceStateRow,
  insertDeviceStates,
  listDeviceStates,
  type StoredDeviceState,
} from './device-states.ts';
export {
  type EmbeddedPostgres,
  type EmbeddedPostgresOptions,
  freePort,
  startEmbeddedPostgres,
} from './embedded-postgres.ts';
export {
  clearFleetIncident,
  closeExplainedSilences,
  type FleetSite,
  listFleetSites,
  listFleetStates,
  listSilences,
  reopenExplainedSilences,
  type SavedFleetState,
  type StoredSilence,
  upsertFleetIncident,
  upsertFleetState,
} from './fleet.ts';
export {
  currentFeedPlace,
  type FedTransition,
  type Feed,
  type FeedPlace,
  listTransitionsAfter,
} from './incident-feed.ts';
export {
  acknowledgeIncident,
  type LockedIncident,
  lockIncident,
  markIncidentMended,
  noteOnIncident,
  type Response,
  shelveIncident,
  unshelveExpired,
  unshelveIncident,
} from './incident-responses.ts';
export {
  clearIncident,
  INCIDENT_CHANNEL,
  type IncidentName,
  type IncidentText,
  incidentId,
  insertIncident,
  isCovered,
  listStandingIncidents,
  notifyIncidents,
  type RaisedIncident,
  type StandingIncident,
  updateIncident,
} from './incident-writes.ts';
export {
  findIncident,
  type IncidentFilter,
  type IncidentPlace,
  type IncidentReader,
  listIncidents,
  listIncidentsById,
  type StoredIncident,
  type StoredTransition,
} from './incidents.ts';
export { checkSchema, migrate, requireSchema, SchemaMismatch, toldInOneLine } from './migrate.ts';
export { type Packed, type PackedDay, packClosedDays } from './pack-readings.ts';
export { type Progress, readProgress } from './progress.ts';
export { insertPulse } from './pulses.ts';
export {
  deleteReplayed,
  findQuarantined,
  insertQuarantined,
  listQuarantine,
  listQuarantineDropped,
  listQuarantineReasons,
  listReplayed,
  markForReplay,
  type NewQuarantined,
  type QuarantineDropped,
  type QuarantinedRecord,
  type QuarantineFilter,
  type QuarantineReasonCount,
  type ReplayedMessage,
  trimQuarantine,
} from './quarantine.ts';
export {
  type Cell,
  type Columns,
  listColumns,
  QUANTITY_NAMES,
  ROLLED_NAMES,
  readKeptSince,
} from './reading-columns.ts';
export {
  listPublishRights,
  listRegisteredDevices,
  listUsernamesInForce,
  type PublishRight,
  type RegisteredDevice,
  type RegistryChanges,
} from './registry.ts';
export {
  failReplay,
  findReplay,
  finishReplay,
  insertReplay,
  markReplayProgress,
  type NewReplay,
  type StoredReplay,
  takeReplay,
} from './replays.ts';
export { markRolledUp, type RolledUp, type RollUpLimits, rollUp } from './roll-up.ts';
export { BIN_MS, BINS, type Bin } from './roll-up-sql.ts';
export { leaseShards, moveShards, releaseShards, renewShards, type Shard } from './shards.ts';
export {
  ensureCompany,
  findSite,
  type HeardDevice,
  insertSite,
  listDevices,
  listHeardDevices,
  listSites,
  lockSite,
  markSiteDeleted,
  type SiteFilter,
  type StoredDevice,
  type StoredSite,
  updateSite,
} from './sites.ts';
export {
  insertStormAlert,
  listAlertDocuments,
  listRecentAlertIds,
  type NewStormAlert,
} from './storm-alerts.ts';
export type * from './tables.ts';
export {
  ENVIRONMENT_TOKEN_NAME,
  findCaller,
  findCallerAgain,
  insertToken,
  listTokens,
  markTokenRevoked,
  type NamedCaller,
  type StoredToken,
  upsertEnvironmentToken,
} from './tokens.ts';
export { keepUp, type Retention, type Upkeep } from './upkeep.ts';
export {
  listAlerts,
  listChangedSites,
  listDetectorStates,
  listWatchedSites,
  listWatchedSitesByNumber,
  type SavedState,
  type StoredAlert,
  upsertDetectorStates,
  type WatchedSite,
} from './watched-sites.ts';
export { listWorkerMetrics, listWorkers, markWorkerSeen, removeWorker } from './workers.ts';
export {
  copyReadings,
  ensureReadingPartitions,
  holdPackedDays,
  insertReadings,
  isKnownReading,
  prepareInsert,
  ReadingRows,
} from './write-readings.ts';
