// A database of its own for a test file, cloned from the migrated template. A failed test keeps its database
// and prints its name.

import { randomBytes } from 'node:crypto';
import { type Connection, connect, type DatabaseRole } from '@afterwatt/store';
import { afterAll, inject, onTestFailed } from 'vitest';
import { asAdmin, withDatabase } from './admin.ts';

export interface TestDatabase {
  readonly url: string;
  readonly name: string;
  /** A connection under a role; closed after the file's tests. */
  connect(role?: DatabaseRole): Connection;
  /** Call in a test (or beforeEach): if it fails, the database is kept and named. */
  keepOnFailure(): void;
}

export async function createTestDatabase(): Promise<TestDatabase> {
  const adminUrl = inject('postgresUrl');
  const name = `afterwatt_test_${randomBytes(6).toString('hex')}`;
  await asAdmin(adminUrl, `create database ${name} template ${inject('templateDatabase')}`);
  // Grants on the database itself are not cloned with a template.
  await asAdmin(adminUrl, `grant temporary on database ${name} to afterwatt_ingest`);
  const url = withDatabase(adminUrl, name);
  const connections: Connection[] = [];
  let keep = false;
  afterAll(async () => {
    await Promise.all(connections.map((connection) => connection.close()));
    if (keep) console.log(`kept database ${name}`);
    else await asAdmin(adminUrl, `drop database if exists ${name} with (force)`);
  });
  return {
    url,
    name,
    connect(role = null) {
      const connection = connect({
        url,
        role,
        name: 'test',
        maxConnections: 4,
        statementTimeoutMs: 60_000,
      });
      connections.push(connection);
      return connection;
    },
    keepOnFailure() {
      onTestFailed(() => {
        keep = true;
      });
    },
  };
}
