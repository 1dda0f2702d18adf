// One run of the bench: ingest as a process of its own, a publisher as another, and what came of it.

import { type ChildProcess, fork } from 'node:child_process';
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { freePort } from '@afterwatt/store';
import type { OwnPostgres } from '../support/own-postgres.ts';
import type { Load, Published } from './publisher.ts';

const HERE = import.meta.dirname;

export interface Ingest {
  readonly port: number | undefined;
  readonly pid: number;
  /** Resident memory now, MiB. */
  residentMiB(): number;
  /** Processor time used since its start, seconds. */
  cpuSeconds(): number;
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
  await answer<unknown>(child, (message) => (message === 'ready' ? true : undefined));
  const pid = child.pid ?? 0;
  return {
    port: environment['MQTT_URL'] === undefined ? port : undefined,
    pid,
    residentMiB: () =>
      Number(/VmRSS:\s+(\d+)/.exec(readFileSync(`/proc/${pid}/status`, 'utf8'))?.[1] ?? 0) / 1024,
    cpuSeconds() {
      const fields = readFileSync(`/proc/${pid}/stat`, 'utf8').split(') ')[1]?.split(' ') ?? [];
      return (Number(fields[11]) + Number(fields[12])) / 100;
    },
    async stop() {
      const ended = new Promise((resolve) => child.once('exit', resolve));
      child.kill('SIGTERM');
      await ended;
    },
  };
}

/** Runs the publisher; `during` is called now and then while it sends. */
export async function publish(load: Load, during: () => void = () => {}): Promise<Published> {
  const child = fork(join(HERE, 'publisher.ts'), [], {
    execArgv: ['--import', 'tsx', '--max-old-space-size=6000'],
  });
  const ready = answer<true>(child, (message) => message.ready);
  child.send({ prepare: load });
  await ready;
  const published = answer<Published>(child, (message) => message.published);
  const timer = setInterval(during, 100);
  child.send({ go: true });
  try {
    return await published;
  } finally {
    clearInterval(timer);
    child.removeAllListeners('exit').kill();
  }
}

function answer<T>(child: ChildProcess, pick: (message: Answer & string) => T | undefined): Promise<T> {
  return new Promise((resolve, reject) => {
    child.on('message', (message) => {
      const picked = pick(message as Answer & string);
      if (picked !== undefined) resolve(picked);
    });
    child.once('exit', (code, signal) =>
      reject(new Error(`a process of the bench ended: ${signal ?? code}`)),
    );
  });
}

interface Answer {
  readonly ready?: true;
  readonly published?: Published;
}

export function percentile(sorted: readonly number[], share: number): number {
  return sorted[Math.min(sorted.length - 1, Math.floor(sorted.length * share))] ?? Number.NaN;
}
