import { Kysely, PostgresDialect, sql } from 'kysely';
import pg from 'pg';
import type { Tables } from './tables.ts';

export type Database = Kysely<Tables>;

/** The role a process works under; `null` is the URL's own user, which owns the schema. */
export type DatabaseRole = 'afterwatt_ingest' | 'afterwatt_rules' | 'afterwatt_api' | null;

export interface Connection {
  readonly db: Database;
  /** For COPY and LISTEN, which need a client of their own. */
  readonly pool: pg.Pool;
  close(): Promise<void>;
}

export interface ConnectOptions {
  readonly url: string;
  readonly role: DatabaseRole;
  /** How the connections are named in pg_stat_activity. */
  readonly name: string;
  readonly maxConnections: number;
  /** A statement that takes longer is ended by the server; 0 = no limit. */
  readonly statementTimeoutMs: number;
}

// bigint counts (seq, tx) stay below 2^53: numbers, not strings.
pg.types.setTypeParser(pg.types.builtins.INT8, Number);

/** Opens a pool; no connection is made before the first query. */
export function connect(options: ConnectOptions): Connection {
  const settings = [`-c statement_timeout=${options.statementTimeoutMs}`, '-c timezone=UTC'];
  if (options.role !== null) settings.push(`-c role=${options.role}`);
  const pool = new pg.Pool({
    connectionString: options.url,
    application_name: options.name,
    max: options.maxConnections,
    connectionTimeoutMillis: 5_000,
    options: settings.join(' '),
    keepAlive: true,
  });
  // An idle connection that breaks is replaced at the next query, which reports what is wrong.
  pool.on('error', () => {});
  // One that breaks between two statements of a transaction says so too; the next statement reports it.
  pool.on('connect', (client) => client.on('error', () => {}));
  const db = new Kysely<Tables>({ dialect: new PostgresDialect({ pool }) });
  return { db, pool, close: () => db.destroy() };
}

/** True when the database answers. */
export async function isReachable(db: Database): Promise<boolean> {
  try {
    await sql`select 1`.execute(db);
    return true;
  } catch {
    return false;
  }
}
