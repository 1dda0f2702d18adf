export { type Connection, connect, type Database, type DatabaseRole, isReachable } from './connect.ts';
export { type EmbeddedPostgres, freePort, startEmbeddedPostgres } from './embedded-postgres.ts';
export { checkSchema, migrate, SchemaMismatch } from './migrate.ts';
export type * from './tables.ts';
