// The station's Postgres: the one it is given, or an embedded one that it starts, and starts again if it dies.

import { backoffMs, type Logger, pause, type Releases } from '@afterwatt/runtime';
import {
  connect,
  type EmbeddedPostgres,
  type EmbeddedPostgresOptions,
  freePort,
  migrate,
  startEmbeddedPostgres,
  toldInOneLine,
} from '@afterwatt/store';
import pg from 'pg';
import type { StationConfig } from './config.ts';

const DATABASE = 'afterwatt';

/** @returns the URL of a database with the newest schema */
export async function openDatabase(config: StationConfig, log: Logger, releases: Releases): Promise<string> {
  if (config.databaseUrl !== undefined) {
    await migrateDatabase(config.databaseUrl, 'DATABASE_URL');
    return config.databaseUrl;
  }
  const url = await startEmbedded(config.dataDir, log, releases);
  await migrateDatabase(url, 'The embedded Postgres');
  return url;
}

/**
 * Brings a database to the newest schema.
 * @param source what the person who starts it calls the database
 * @returns the names of the migrations applied, oldest first
 * @throws StartupError when it does not answer or refuses us, or its schema is newer than this program
 */
export async function migrateDatabase(url: string, source: string): Promise<string[]> {
  const connection = connect({
    url,
    role: null,
    name: 'migration',
    maxConnections: 1,
    statementTimeoutMs: 0,
  });
  try {
    return await migrate(connection.db);
  } catch (error) {
    throw toldInOneLine(error, source);
  } finally {
    await connection.close();
  }
}

async function startEmbedded(dataDir: string, log: Logger, releases: Releases): Promise<string> {
  const port = await freePort();
  const options = { dataDir, database: DATABASE, port };
  let stopping = false;
  let server = await startEmbeddedPostgres(options);
  releases.add('postgres', async () => {
    stopping = true;
    await server.stop();
  });
  void (async () => {
    for (;;) {
      await server.ended;
      if (stopping) return;
      log.warn('Postgres ended by itself; starting it again');
      server = await startAgain(options, log);
    }
  })();

  const admin = new pg.Client({ connectionString: server.url.replace(`/${DATABASE}`, '/postgres') });
  await admin.connect();
  try {
    const found = await admin.query('select from pg_database where datname = $1', [DATABASE]);
    if (found.rowCount === 0) await admin.query(`create database ${DATABASE}`);
  } finally {
    await admin.end();
  }
  return server.url;
}

/** What is left of the old server may hold its memory for a moment. */
async function startAgain(options: EmbeddedPostgresOptions, log: Logger): Promise<EmbeddedPostgres> {
  for (let failures = 1; ; failures++) {
    await pause(backoffMs(failures));
    try {
      return await startEmbeddedPostgres(options);
    } catch (error) {
      log.warn({ err: error, failures }, 'Postgres did not start; trying again');
    }
  }
}
