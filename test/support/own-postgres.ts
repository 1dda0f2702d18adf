// A Postgres of a test's own, which it may kill: the embedded one, with a migrated database.

import { spawnSync } from 'node:child_process';
import { mkdtemp, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { type Connection, connect, freePort, migrate, startEmbeddedPostgres } from '@afterwatt/store';
import pg from 'pg';

export interface OwnPostgres {
  readonly url: string;
  readonly owner: Connection;
  /** Of the server's first process. */
  readonly pid: number;
  /** SIGKILL to the server and all its children, then the same one again, which recovers what was committed. */
  killAndRestart(): Promise<void>;
  stop(): Promise<void>;
}

const DATABASE = 'afterwatt_test';

export async function startOwnPostgres(
  settings: Readonly<Record<string, string | number>> = {},
): Promise<OwnPostgres> {
  const dataDir = await mkdtemp(join(tmpdir(), 'afterwatt-test-own-'));
  const options = { dataDir, database: DATABASE, port: await freePort(), settings };
  let server = await startEmbeddedPostgres(options);
  const admin = new pg.Client({ connectionString: server.url.replace(DATABASE, 'postgres') });
  await admin.connect();
  await admin.query(`create database ${DATABASE}`);
  await admin.end();
  const owner = connect({
    url: server.url,
    role: null,
    name: 'test owner',
    maxConnections: 2,
    statementTimeoutMs: 0,
  });
  await migrate(owner.db);
  return {
    url: server.url,
    owner,
    get pid() {
      return server.pid;
    },
    async killAndRestart() {
      // The server first: it would start a recovery of its own for a child that is killed.
      const children = childrenOf(server.pid);
      process.kill(server.pid, 'SIGKILL');
      for (const pid of children) killIfThere(pid);
      await server.ended;
      for (let tries = 1; ; tries++) {
        try {
          server = await startEmbeddedPostgres(options);
          return;
        } catch (error) {
          // Children of the killed server hold its shared memory for a moment.
          if (tries > 100) throw error;
          await sleep(100);
        }
      }
    },
    async stop() {
      await owner.close();
      await server.stop();
      await rm(dataDir, { recursive: true, force: true });
    },
  };
}

function childrenOf(pid: number): number[] {
  const { stdout } = spawnSync('pgrep', ['-P', `${pid}`], { encoding: 'utf8' });
  return stdout.split('\n').filter(Boolean).map(Number);
}

function killIfThere(pid: number): void {
  try {
    process.kill(pid, 'SIGKILL');
  } catch {
    // It followed its server already.
  }
}
