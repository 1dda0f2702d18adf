// What the rows of the bench run: ingest as a process of its own, and one publisher for all of them.

import { type ChildProcess, fork } from 'node:child_process';
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { freePort } from '@afterwatt/store';
import type { OwnPostgres } from '../support/own-postgres.ts';
import type { FromPublisher, Load, Published, ToPublisher } from './publisher.ts';

const HERE = import.meta.dirname;
const WATCH_EVERY_MS = 100;

export interface Ingest {
  /** Of its endpoint; 0 with a broker. */
  readonly port: number;
  readonly pid: number;
  stop(): Promise<void>;
}

/** @param nodeArgs for a profile, say */
export async function startIngest(
  postgres: OwnPostgres,
  environment: Readonly<Record<string, string>> = {},
  nodeArgs: readonly string[] = [],
): Promise<Ingest> {
  const port = await freePort();
  const child = fork(join(HERE, '../../services/ingest/main.ts'), [], {
    execArgv: ['--import', 'tsx', ...nodeArgs],
    env: {
      ...process.env,
      DATABASE_URL: postgres.url,
      MQTT_PORT: `${port}`,
      MQTT_HOST: '127.0.0.1',
      LOG_LEVEL: 'warn',
      ...environment,
    },
    stdio: ['ignore', 'inherit', 'inherit', 'ipc'],
  });
  await answerOf<unknown>(child);
  return {
    port: environment['MQTT_URL'] === undefined ? port : 0,
    pid: child.pid ?? 0,
    async stop() {
      const ended = new Promise((resolve) => child.once('exit', resolve));
      child.kill('SIGTERM');
      await ended;
    },
  };
}

export interface Publisher {
  /** Makes everything ready, then sends it; `during` is called ten times a second while it sends. */
  publish(load: Load, during?: () => void): Promise<Published>;
  stop(): void;
}

export function startPublisher(nodeArgs: readonly string[] = []): Publisher {
  const child = fork(join(HERE, 'publisher.ts'), [], {
    execArgv: ['--import', 'tsx', '--max-old-space-size=6000', ...nodeArgs],
  });
  const tell = (message: ToPublisher) => child.send(message);
  return {
    async publish(load, during = () => {}) {
      tell({ prepare: load });
      await answerOf<FromPublisher>(child);
      const timer = setInterval(during, WATCH_EVERY_MS);
      tell('go');
      const published = await answerOf<FromPublisher>(child);
      clearInterval(timer);
      if (published === 'ready') throw new Error('the publisher was ready twice');
      return published;
    },
    stop: () => void child.removeAllListeners('exit').kill(),
  };
}

/** The next message of a child; it ends the bench when the child ends instead. */
function answerOf<T>(child: ChildProcess): Promise<T> {
  return new Promise((resolve, reject) => {
    const onExit = (code: number | null, signal: string | null) =>
      reject(new Error(`a process of the bench ended: ${signal ?? code}`));
    child.once('exit', onExit);
    child.once('message', (message) => {
      child.off('exit', onExit);
      resolve(message as T);
    });
  });
}

/** Resident memory of a process now, MiB. */
export function residentMiB(pid: number): number {
  return Number(/VmRSS:\s+(\d+)/.exec(readFileSync(`/proc/${pid}/status`, 'utf8'))?.[1] ?? 0) / 1024;
}

/** Processor time that a process, and what it began and saw ending, used since its start, seconds. */
export function cpuSeconds(pid: number): number {
  const fields = readFileSync(`/proc/${pid}/stat`, 'utf8').split(') ')[1]?.split(' ') ?? [];
  return fields.slice(11, 15).reduce((sum, ticks) => sum + Number(ticks), 0) / 100;
}
