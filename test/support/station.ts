// The station as a person starts it: its own process, a data directory and ports of its own.

import { type ChildProcess, spawn } from 'node:child_process';
import { mkdtemp, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { freePort } from '@afterwatt/store';

const ROOT = join(import.meta.dirname, '../..');
const MAIN = join(ROOT, 'services/station/main.ts');
const OPERATOR_TOKEN = 'operator-token-of-a-test-station';

export interface Station {
  readonly address: string;
  readonly mqttPort: number;
  readonly dataDir: string;
  start(args?: readonly string[]): Promise<void>;
  /** SIGTERM; resolves with the exit code. */
  stop(): Promise<number | null>;
  /** What it printed since its last start. */
  printed(): string;
  /** Calls the API as operator; the body goes as JSON, unless it is a text of another type. */
  call(
    method: string,
    path: string,
    body?: unknown,
    contentType?: string,
  ): Promise<{ status: number; body: unknown }>;
  remove(): Promise<void>;
}

/** How it is started: by node itself, or as README says it, through npm and the shell that npm uses. */
const LAUNCHERS = {
  node: [process.execPath, '--import', 'tsx', MAIN],
  npm: ['npm', 'start', '--silent', '--'],
} as const;

export async function createStation(
  environment: Readonly<Record<string, string>> = {},
  launcher: keyof typeof LAUNCHERS = 'node',
): Promise<Station> {
  const dataDir = await mkdtemp(join(tmpdir(), 'afterwatt-test-station-'));
  const httpPort = await freePort();
  const mqttPort = await freePort();
  const address = `http://127.0.0.1:${httpPort}`;
  let child: ChildProcess | undefined;
  let printed = '';

  return {
    address,
    mqttPort,
    dataDir,
    start(args = []) {
      printed = '';
      const [command, ...before] = LAUNCHERS[launcher];
      const started = spawn(command, [...before, ...args], {
        cwd: ROOT,
        env: {
          ...process.env,
          DATABASE_URL: '',
          MQTT_URL: '',
          HTTP_PORT: `${httpPort}`,
          MQTT_PORT: `${mqttPort}`,
          AFTERWATT_DATA_DIR: dataDir,
          AFTERWATT_OPERATOR_TOKEN: OPERATOR_TOKEN,
          ...environment,
        },
        stdio: ['ignore', 'pipe', 'pipe'],
      });
      child = started;
      return new Promise((resolve, reject) => {
        const take = (chunk: unknown) => {
          printed += String(chunk);
          if (printed.includes('Stop with Ctrl-C')) resolve();
        };
        started.stdout.on('data', take);
        started.stderr.on('data', take);
        started.once('exit', (code, signal) => reject(new Error(`ended with ${signal ?? code}: ${printed}`)));
      });
    },
    async stop() {
      const ending = child;
      if (ending === undefined || ending.exitCode !== null || ending.signalCode !== null) return null;
      const ended = new Promise<number | null>((resolve) => ending.once('exit', (code) => resolve(code)));
      ending.kill('SIGTERM');
      return ended;
    },
    printed: () => printed,
    async call(method, path, body, contentType = 'application/json') {
      const response = await fetch(address + path, {
        method,
        headers: {
          authorization: `Bearer ${OPERATOR_TOKEN}`,
          ...(body === undefined ? {} : { 'content-type': contentType }),
        },
        ...(body === undefined ? {} : { body: typeof body === 'string' ? body : JSON.stringify(body) }),
      });
      const text = await response.text();
      return { status: response.status, body: text === '' ? null : JSON.parse(text) };
    },
    remove: () => rm(dataDir, { recursive: true, force: true }),
  };
}
