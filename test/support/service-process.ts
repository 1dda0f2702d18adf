// A service as a real process of its own, so that a test can kill it.

import { type ChildProcess, fork } from 'node:child_process';
import { readFileSync } from 'node:fs';
import { join } from 'node:path';

const SERVICES = join(import.meta.dirname, '../../services');

export interface ServiceProcess {
  readonly name: string;
  /** Waits until it says that it is ready. */
  start(): Promise<void>;
  /** SIGKILL, and waits until it is gone. */
  kill(): Promise<void>;
  /** SIGTERM, and waits; resolves with the exit code. */
  stop(): Promise<number | null>;
  /** Resident memory now, MiB; 0 when it is not running. */
  residentMiB(): number;
  /** The last lines it wrote. */
  output(): string;
}

export function serviceProcess(name: string, environment: Readonly<Record<string, string>>): ServiceProcess {
  let child: ChildProcess | undefined;
  let output = '';

  async function end(signal: 'SIGKILL' | 'SIGTERM'): Promise<number | null> {
    const ending = child;
    if (ending === undefined || ending.exitCode !== null || ending.signalCode !== null) return null;
    const ended = new Promise<number | null>((resolve) => ending.once('exit', (code) => resolve(code)));
    ending.kill(signal);
    return ended;
  }

  return {
    name,
    start: () =>
      new Promise((resolve, reject) => {
        const started = fork(join(SERVICES, name, 'main.ts'), [], {
          execArgv: ['--import', 'tsx'],
          env: { ...process.env, LOG_LEVEL: 'warn', ...environment },
          stdio: ['ignore', 'pipe', 'pipe', 'ipc'],
        });
        child = started;
        const keep = (chunk: unknown) => {
          output = (output + String(chunk)).slice(-8_000);
        };
        started.stdout?.on('data', keep);
        started.stderr?.on('data', keep);
        started.once('message', () => resolve());
        started.once('exit', (code, signal) =>
          reject(new Error(`${name} ended with ${signal ?? code}: ${output}`)),
        );
      }),
    kill: async () => {
      await end('SIGKILL');
    },
    stop: () => end('SIGTERM'),
    residentMiB() {
      if (child?.pid === undefined || child.exitCode !== null || child.signalCode !== null) return 0;
      const status = readFileSync(`/proc/${child.pid}/status`, 'utf8');
      return Number(/VmRSS:\s+(\d+)/.exec(status)?.[1] ?? 0) / 1024;
    },
    output: () => output,
  };
}
