// The outermost few lines of every process: signals, deadline, exit code. Used by main.ts files alone.

import { type Started, StartupError } from './lifecycle.ts';

/** A stop must be through in ten seconds; after nine a second, harder end is made. */
const STOP_DEADLINE_MS = 9_000;

/**
 * Starts a service and keeps the process until it ends: the first SIGTERM or SIGINT stops it gently, the second
 * at once. Exit code 0 after a stop, 1 after a mistake in the environment or a fault.
 */
export async function runMain(start: () => Promise<Started>): Promise<void> {
  let started: Started | undefined;
  let stopping = false;
  const onSignal = () => {
    if (stopping) process.exit(1);
    stopping = true;
    setTimeout(() => process.exit(1), STOP_DEADLINE_MS).unref();
    void started?.stop();
  };
  process.on('SIGTERM', onSignal);
  process.on('SIGINT', onSignal);
  // A supervisor that dies takes its children with it, gently.
  if (process.connected) process.on('disconnect', onSignal);
  try {
    started = await start();
    if (stopping) await started.stop();
    // A supervisor waits for this before it goes on.
    process.send?.('ready');
    await started.done;
    process.exit(0);
  } catch (error) {
    process.stderr.write(`${describe(error)}\n`);
    process.exit(1);
  }
}

function describe(error: unknown): string {
  if (error instanceof StartupError) return error.message;
  return error instanceof Error ? (error.stack ?? error.message) : String(error);
}
