// A service as a child process: started, started again when it dies, stopped gently. Its log goes to a file.

import { type ChildProcess, fork } from 'node:child_process';
import { createWriteStream } from 'node:fs';
import { backoffMs, type Logger, StartupError } from '@afterwatt/runtime';

/** A child that ran so long was well; its restarts are counted afresh. */
const WELL_AFTER_MS = 30_000;

export interface SupervisedOptions {
  readonly name: string;
  /** Path of its main.ts. */
  readonly script: string;
  readonly args?: readonly string[];
  readonly environment: Readonly<Record<string, string | undefined>>;
  /** How this Node was started, so that the child runs TypeScript too. */
  readonly execArgv: readonly string[];
  readonly logFile: string;
  readonly log: Logger;
  /** What the child sends besides being ready. */
  readonly onMessage?: (message: unknown) => void;
}

export interface Supervised {
  readonly name: string;
  pid(): number | undefined;
  stop(): Promise<void>;
}

/**
 * Starts the child and waits until it is ready.
 * @throws StartupError with the child's own words when its first start fails
 */
export async function supervise(options: SupervisedOptions): Promise<Supervised> {
  const { name, log } = options;
  const logFile = createWriteStream(options.logFile, { flags: 'a' });
  let child: ChildProcess;
  let stopping = false;
  let failures = 0;
  let restart: NodeJS.Timeout | undefined;
  let tail = '';

  function launch(): Promise<void> {
    const startedMs = Date.now();
    child = fork(options.script, [...(options.args ?? [])], {
      execArgv: [...options.execArgv],
      env: { ...options.environment },
      stdio: ['ignore', 'pipe', 'pipe', 'ipc'],
      // A group of its own: a Ctrl-C in the terminal is for the station, which stops its children in order.
      detached: true,
    });
    child.stdout?.pipe(logFile, { end: false });
    child.stderr?.pipe(logFile, { end: false });
    child.stderr?.on('data', (chunk) => {
      tail = (tail + String(chunk)).slice(-2_000);
    });
    return new Promise((resolve, reject) => {
      child.on('message', (message) => {
        if (message === 'ready') resolve();
        else options.onMessage?.(message);
      });
      child.once('exit', (code, signal) => {
        reject(new StartupError(lastLine(tail) || `${name} ended with ${signal ?? code}`));
        if (stopping) return;
        failures = Date.now() - startedMs > WELL_AFTER_MS ? 1 : failures + 1;
        log.warn({ service: name, code, signal, failures }, 'ended by itself; starting it again');
        restart = setTimeout(() => {
          launch().catch(() => {});
        }, backoffMs(failures));
      });
    });
  }

  const stop = async () => {
    stopping = true;
    clearTimeout(restart);
    if (child.exitCode === null && child.signalCode === null) {
      const ended = new Promise((resolve) => child.once('exit', resolve));
      child.kill('SIGTERM');
      await ended;
    }
    await new Promise((resolve) => logFile.end(resolve));
  };

  try {
    await launch();
  } catch (error) {
    await stop();
    throw error;
  }
  return { name, pid: () => child.pid, stop };
}

function lastLine(text: string): string {
  return text.trim().split('\n').at(-1) ?? '';
}
