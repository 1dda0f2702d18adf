// One Postgres for the whole test run, chosen in this order: DATABASE_URL; a Docker engine that answers
// (testcontainers, where it has the image); the embedded one. A template database is migrated once, and
// each test file clones it.

import { mkdtemp, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { connect, migrate, startEmbeddedPostgres } from '@afterwatt/store';
import type { TestProject } from 'vitest/node';
import { asAdmin, withDatabase } from './admin.ts';
import { startDockerPostgres } from './docker-postgres.ts';

declare module 'vitest' {
  export interface ProvidedContext {
    postgresUrl: string;
    templateDatabase: string;
  }
}

export default async function setup(project: TestProject): Promise<() => Promise<void>> {
  const server = await startServer();
  const template = `afterwatt_test_template_${process.pid}`;
  await asAdmin(server.url, `create database ${template}`);
  const connection = connect({
    url: withDatabase(server.url, template),
    role: null,
    name: 'test template',
    maxConnections: 1,
    statementTimeoutMs: 0,
  });
  await migrate(connection.db);
  await connection.close();
  project.provide('postgresUrl', server.url);
  project.provide('templateDatabase', template);
  return async () => {
    await asAdmin(server.url, `drop database if exists ${template} with (force)`);
    await server.stop();
  };
}

interface Server {
  readonly url: string;
  stop(): Promise<void>;
}

async function startServer(): Promise<Server> {
  const given = process.env['DATABASE_URL'];
  if (given !== undefined && given !== '') return { url: given, stop: async () => {} };
  const docker = await startDockerPostgres();
  if (docker !== undefined) return docker;
  const dataDir = await mkdtemp(join(tmpdir(), 'afterwatt-test-'));
  const embedded = await startEmbeddedPostgres({ dataDir, database: 'postgres', port: 0 });
  return {
    url: embedded.url,
    async stop() {
      await embedded.stop();
      await rm(dataDir, { recursive: true, force: true });
    },
  };
}
