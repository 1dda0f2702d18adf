// Gathers messages from the source, writes them in batches, two at a time, and acknowledges after commit. While the
// database is away nothing is acknowledged, what is held stays within its bound, and writing goes on when it is back.

import { setImmediate as turn } from 'node:timers/promises';
import { backoffMs, isTransient, type Logger, pause } from '@afterwatt/runtime';
import { ReadingBlock } from '@afterwatt/wire';
import { Batch } from './batch.ts';
import { type Checked, checkMessage, refuseUnknown, refuseWhole } from './check-message.ts';
import type { IngestConfig } from './config.ts';
import type { Message } from './message.ts';
import type { IngestMetrics } from './metrics.ts';
import type { Registry } from './registry.ts';
import type { BatchWriter } from './write-batch.ts';

/** The rules learn the time from pulses; without messages one is written this often. */
const PULSE_EVERY_MS = 5_000;
/** Two at a time: one is decoded while the other is written, and a commit's wait for the disk is not ours. */
const WRITES_AT_ONCE = 2;
/** What a message takes in memory besides its payload. */
const OVERHEAD_BYTES = 1_024;
/** Retention dropped a partition since we looked: undefined table, or no partition found for a row. */
const NO_PARTITION: readonly unknown[] = ['42P01', '23514'];

export interface Batcher {
  /** @returns false when what is held has reached its bound: send no more until onRoom */
  take(message: Message): boolean;
  onRoom(listener: () => void): void;
  /** More has come than is being written. */
  isBehind(): boolean;
  /** Writes what is held, then ends; gives up where the database is not there. */
  drain(): Promise<void>;
}

export interface BatcherDeps {
  readonly config: IngestConfig;
  readonly registry: Registry;
  readonly writer: BatchWriter;
  readonly metrics: IngestMetrics;
  readonly log: Logger;
  /** True while messages can reach us: only then does the passing of time mean anything. */
  readonly isConnected: () => boolean;
  /** Called with the companies whose messages were refused, once that is committed. */
  readonly onRefused: (batch: Batch) => void;
  /** Called for an error that is neither the message's nor the database's passing fault. */
  readonly fail: (error: unknown) => void;
}

/** Stopping, and the database is not there: what is held was never acknowledged, so it comes again. */
class GivenUp extends Error {}

export function startBatcher(deps: BatcherDeps): Batcher {
  const { config, log, metrics, registry, writer } = deps;
  const ending = new AbortController();
  const writing = new Map<Batch, Promise<void>>();
  const spare: Batch[] = [];
  const block = new ReadingBlock();
  let waiting: Message[] = [];
  let next = 0;
  let heldBytes = 0;
  let full = false;
  let roomListener = () => {};
  let wake = () => {};
  let pulsedMs = 0;

  const running = run().catch((error: unknown) => {
    if (!(error instanceof GivenUp)) deps.fail(error);
  });

  async function run(): Promise<void> {
    while (true) {
      if (next === waiting.length) {
        if (ending.signal.aborted) break;
        await idle();
        if (next < waiting.length) await pause(config.batchWaitMs, ending.signal);
      }
      const batch = spare.pop() ?? new Batch();
      await fill(batch);
      // A batch that is not full goes alone; while others are written it grows.
      while (writing.size > 0 && batch.size < config.batchReadings) {
        await Promise.race(writing.values());
        await fill(batch);
      }
      if (writing.size >= WRITES_AT_ONCE) await Promise.race(writing.values());
      const written = write(batch)
        .catch((error: unknown) => {
          if (!(error instanceof GivenUp)) deps.fail(error);
        })
        .finally(() => writing.delete(batch));
      writing.set(batch, written);
      // Sockets are read in between.
      await turn();
    }
    await Promise.all(writing.values());
  }

  /** Until a message comes, a pulse is due, or it is the end. */
  function idle(): Promise<void> {
    const dueMs = pulsedMs + PULSE_EVERY_MS - Date.now();
    if (dueMs <= 0 && deps.isConnected()) return Promise.resolve();
    return new Promise((resolve) => {
      const timer = setTimeout(resolve, Math.max(dueMs, 100));
      wake = () => {
        clearTimeout(timer);
        resolve();
      };
    });
  }

  async function fill(batch: Batch): Promise<void> {
    while (batch.size < config.batchReadings) {
      const message = waiting[next];
      if (message === undefined) break;
      next += 1;
      const adding = addTo(batch, message);
      // Waiting also where there is nothing to wait for would cost as much as the check itself.
      if (adding !== undefined) await adding;
    }
    if (next === waiting.length) {
      waiting = [];
      next = 0;
    }
  }

  function addTo(batch: Batch, message: Message): Promise<void> | undefined {
    const checked = check(message);
    if (checked instanceof Promise) return checked.then((late) => batch.add(message, late));
    batch.add(message, checked);
    return undefined;
  }

  /** What it returns at once is to be added at once: the next check uses the same block. */
  function check(message: Message): Checked | Promise<Checked> {
    const checked = checkMessage(message, registry, block);
    return checked === 'unknown device' ? checkAgain(message) : checked;
  }

  async function checkAgain(message: Message): Promise<Checked> {
    await untilDone('looking up a device', () => registry.refresh(message.receivedAtMs));
    const again = checkMessage(message, registry, new ReadingBlock());
    return again === 'unknown device' ? refuseUnknown(message, registry) : again;
  }

  /** All that came before it is committed, or in this batch; undefined when none is due, or time means nothing. */
  function pulseFor(batch: Batch): number | undefined {
    const nowMs = Date.now();
    if (nowMs - pulsedMs < 1_000 || !deps.isConnected()) return undefined;
    let atMs = waiting[next]?.receivedAtMs ?? nowMs;
    for (const other of writing.keys()) {
      if (other !== batch) atMs = Math.min(atMs, other.oldestMs ?? nowMs);
    }
    return atMs > pulsedMs ? atMs : undefined;
  }

  async function write(batch: Batch): Promise<void> {
    const pulseAtMs = pulseFor(batch);
    if (batch.size === 0 && pulseAtMs === undefined) {
      release(batch);
      return;
    }
    try {
      const inserted = await untilDone('writing a batch', () => writer.write(batch, pulseAtMs));
      if (pulseAtMs !== undefined) pulsedMs = Math.max(pulsedMs, pulseAtMs);
      metrics.readings.inc(batch.readings.count);
      metrics.inserted.inc(inserted);
      for (const { reason, records } of batch.refused) metrics.refused.inc({ reason }, records);
      if (batch.oldestMs !== undefined) metrics.delay.observe((Date.now() - batch.oldestMs) / 1000);
      if (batch.refused.length > 0) deps.onRefused(batch);
      release(batch);
    } catch (error) {
      if (!isOfData(error) || batch.messages.length === 0) throw error;
      await narrowDown(batch.messages, error);
    }
  }

  /** Tries until it works; what cannot pass by itself is thrown. */
  async function untilDone<T>(what: string, work: () => Promise<T>): Promise<T> {
    for (let failures = 1; ; failures++) {
      try {
        return await work();
      } catch (error) {
        if (error instanceof Error && 'code' in error && NO_PARTITION.includes(error.code)) {
          writer.forgetPartitions();
        } else if (!isTransient(error)) throw error;
        if (ending.signal.aborted) throw new GivenUp('stopped while the database was away', { cause: error });
        log.warn({ err: error, failures, what }, 'the database is not taking it; trying again');
        await pause(backoffMs(failures), ending.signal);
      }
    }
  }

  /** Finds the message that the database refuses, and writes the others. */
  async function narrowDown(messages: readonly Message[], error: unknown): Promise<void> {
    const [only] = messages;
    if (messages.length === 1 && only !== undefined) {
      log.error({ err: error, topic: only.topic }, 'a message cannot be stored; it goes to quarantine');
      const detail = `The database refused it: ${error instanceof Error ? error.message : String(error)}`;
      const { origin } = await check(only);
      const batch = new Batch();
      batch.add(only, refuseWhole(origin, 'not-storable', detail));
      await untilDone('quarantining', () => writer.write(batch, undefined));
      metrics.refused.inc({ reason: 'not-storable' });
      release(batch);
      return;
    }
    const middle = Math.ceil(messages.length / 2);
    for (const half of [messages.slice(0, middle), messages.slice(middle)]) {
      const batch = new Batch();
      for (const message of half) await addTo(batch, message);
      await write(batch);
    }
  }

  function release(batch: Batch): void {
    for (const message of batch.messages) {
      heldBytes -= message.payload.length + OVERHEAD_BYTES;
      message.acknowledge();
    }
    batch.clear();
    spare.push(batch);
    metrics.held.set(heldBytes);
    if (full && heldBytes < config.heldBytes / 2) {
      full = false;
      roomListener();
    }
  }

  return {
    take(message) {
      waiting.push(message);
      heldBytes += message.payload.length + OVERHEAD_BYTES;
      // Also here: while the database is away nothing is let go.
      metrics.held.set(heldBytes);
      wake();
      if (heldBytes >= config.heldBytes) full = true;
      return !full;
    },
    onRoom(listener) {
      roomListener = listener;
    },
    isBehind: () => next < waiting.length && writing.size === WRITES_AT_ONCE,
    async drain() {
      ending.abort();
      wake();
      await running;
    },
  };
}

/** SQLSTATE classes 22 (data exception) and 23 (integrity): a row's fault. Every other one is ours, and ends us. */
function isOfData(error: unknown): boolean {
  return error instanceof Error && 'code' in error && /^2[23]/.test(String(error.code));
}
