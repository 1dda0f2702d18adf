// Start and stop. A service acquires its parts in order onto a stack of named releases; stopping, and a start
// that fails half-way, release them in reverse.

import type { Logger } from './logger.ts';

/** What a service's `start` returns. */
export interface Started {
  /** Stops taking work, drains, flushes, closes. May be called more than once. */
  stop(): Promise<void>;
  /** Settles when the service has ended; rejects when it ended by a fault of its own. */
  readonly done: Promise<void>;
}

/** A mistake of the person who starts it (a port that is taken, a wrong URL): told in one line, exit code 1. */
export class StartupError extends Error {}

interface Release {
  readonly name: string;
  readonly release: () => Promise<void> | void;
}

export class Releases {
  readonly #stack: Release[] = [];
  readonly #log: Logger;
  #releasing: Promise<void> | undefined;

  constructor(log: Logger) {
    this.#log = log;
  }

  /** Adds what must be undone; released before all that was added earlier. */
  add(name: string, release: () => Promise<void> | void): void {
    this.#stack.push({ name, release });
  }

  /** Releases all, newest first. A release that fails is logged and does not keep the others. */
  releaseAll(): Promise<void> {
    this.#releasing ??= this.#run();
    return this.#releasing;
  }

  async #run(): Promise<void> {
    for (let next = this.#stack.pop(); next !== undefined; next = this.#stack.pop()) {
      this.#log.debug({ part: next.name }, 'stopping');
      try {
        await next.release();
      } catch (error) {
        this.#log.warn({ part: next.name, err: error }, 'did not stop cleanly');
      }
    }
  }
}

/**
 * Runs `build` with a stack of releases and turns it into a started service. When `build` throws, what it had
 * acquired is released before the error goes on.
 * @param build acquires; calls `fail` later if the service can't go on
 */
export async function startWith(
  log: Logger,
  build: (releases: Releases, fail: (error: unknown) => void) => Promise<void>,
): Promise<Started> {
  const releases = new Releases(log);
  let fail: (error: unknown) => void = () => {};
  let end: () => void = () => {};
  const done = new Promise<void>((resolve, reject) => {
    end = resolve;
    fail = reject;
  });
  done.catch(() => {});
  const stop = async () => {
    await releases.releaseAll();
    end();
  };
  try {
    await build(releases, (error) => {
      void releases.releaseAll().then(() => fail(error));
    });
  } catch (error) {
    await releases.releaseAll();
    throw error;
  }
  return { stop, done };
}
