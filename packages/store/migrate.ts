// Applies migrations/*.sql with Kysely's migrator (its table and its advisory lock), forward only, each file in
// one transaction. A process that only uses the schema calls requireSchema instead.

import { readdir, readFile } from 'node:fs/promises';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { isTransient, StartupError } from '@afterwatt/runtime';
import { type Migration, Migrator, sql } from 'kysely';
import type { Database } from './connect.ts';

const DIRECTORY = join(dirname(fileURLToPath(import.meta.url)), '../../migrations');

/** The schema is not the one this program was written for; the message says which way, in one line. */
export class SchemaMismatch extends StartupError {}

/**
 * Brings the database to the newest schema this program knows.
 * @returns the names of the files applied, oldest first
 * @throws SchemaMismatch when the database has migrations that this program does not know
 */
export async function migrate(db: Database): Promise<string[]> {
  const known = await migrationNames();
  const unknown = (await appliedNames(db)).filter((name) => !known.includes(name));
  if (unknown.length > 0) throw newer(unknown);
  const migrator = new Migrator({ db, provider: { getMigrations: sqlFiles } });
  const { error, results } = await migrator.migrateToLatest();
  if (error !== undefined) throw error;
  return (results ?? []).map((result) => result.migrationName);
}

/** @throws SchemaMismatch when the database's schema is older or newer than this program */
export async function checkSchema(db: Database): Promise<void> {
  const known = await migrationNames();
  const applied = await appliedNames(db);
  const unknown = applied.filter((name) => !known.includes(name));
  if (unknown.length > 0) throw newer(unknown);
  const missing = known.filter((name) => !applied.includes(name));
  if (missing.length > 0) {
    throw new SchemaMismatch(
      `The database's schema is older than this program: ${missing.join(', ')} not applied; run npm run migrate.`,
    );
  }
}

/**
 * What a process asks of its database before all else.
 * @throws StartupError when the database does not answer, refuses us, or has not this program's schema
 */
export async function requireSchema(db: Database): Promise<void> {
  await checkSchema(db).catch((error: unknown) => {
    throw toldInOneLine(error, 'DATABASE_URL');
  });
}

/** SQLSTATE classes and codes: invalid authorization, and no database of that name. */
const REFUSED_SQLSTATES = /^(28|3D000)/;

/**
 * Turns what went wrong at the first look at a database into what the person who starts the program can put right.
 * @param source what that person calls the database
 * @returns the error itself where it is a defect
 */
export function toldInOneLine(error: unknown, source: string): unknown {
  if (!(error instanceof Error) || error instanceof StartupError) return error;
  const code = 'code' in error ? String(error.code) : '';
  if (REFUSED_SQLSTATES.test(code)) return new StartupError(`${source}: ${error.message}.`);
  if (!isTransient(error)) return error;
  return new StartupError(`${source}: the database does not answer (${error.message || code}).`);
}

function newer(unknown: readonly string[]): SchemaMismatch {
  return new SchemaMismatch(
    `The database's schema is newer than this program: it has ${unknown.join(', ')}.`,
  );
}

async function migrationNames(): Promise<string[]> {
  const files = await readdir(DIRECTORY);
  return files
    .filter((file) => file.endsWith('.sql'))
    .map((file) => file.slice(0, -'.sql'.length))
    .sort();
}

async function appliedNames(db: Database): Promise<string[]> {
  const table = await sql<{
    name: string | null;
  }>`select to_regclass('kysely_migration')::text as name`.execute(db);
  if (table.rows[0]?.name == null) return [];
  const applied = await sql<{ name: string }>`select name from kysely_migration order by name`.execute(db);
  return applied.rows.map((row) => row.name);
}

async function sqlFiles(): Promise<Record<string, Migration>> {
  const migrations: Record<string, Migration> = {};
  for (const name of await migrationNames()) {
    const text = await readFile(join(DIRECTORY, `${name}.sql`), 'utf8');
    migrations[name] = {
      async up(db) {
        const current = await sql<{ name: string }>`select current_database() as name`.execute(db);
        const database = current.rows[0]?.name ?? '';
        // The one thing a plain SQL file cannot name: the database it runs in.
        await sql.raw(text.replaceAll(':database', `"${database.replaceAll('"', '""')}"`)).execute(db);
      },
    };
  }
  return migrations;
}
