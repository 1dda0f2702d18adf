export {
  type CommittedMended,
  type CommittedPulse,
  type CommittedReading,
  type CommittedState,
  findNextWindow,
  listMended,
  listPulses,
  listReadings,
  listStates,
  SHARD_COUNT,
  type Window,
} from './committed.ts';
export { type Connection, connect, type Database, type DatabaseRole, isReachable } from './connect.ts';
export { type EmbeddedPostgres, freePort, startEmbeddedPostgres } from './embedded-postgres.ts';
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
export { checkSchema, migrate, SchemaMismatch } from './migrate.ts';
export { leaseShards, moveShards, releaseShards, type Shard } from './shards.ts';
export type * from './tables.ts';
export {
  listAlerts,
  listChangedSites,
  listDetectorStates,
  listWatchedSites,
  type SavedState,
  type StoredAlert,
  upsertDetectorStates,
  type WatchedSite,
} from './watched-sites.ts';
export { listWorkerMetrics, listWorkers, markWorkerSeen, removeWorker } from './workers.ts';
