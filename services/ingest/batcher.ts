// Gathers messages from the source and writes them in batches; acknowledges after commit. While the database is
// away nothing is acknowledged, what is held stays within its bound, and writing goes on when it is back.

import { backoffMs, isTransient, type Logger, pause } from '@afterwatt/runtime';
import { type Checked, checkMessage, refuseUnknown, refuseWhole } from './check-message.ts';
import type { IngestConfig } from './config.ts';
import type { Message } from './message.ts';
import type { IngestMetrics } from './metrics.ts';
import type { Registry } from './registry.ts';
import type { BatchWriter } from './write-batch.ts';

/** The rules learn the time from pulses; without messages one is written this often. */
const PULSE_EVERY_MS = 5_000;
/** "no partition of relation … found for row": retention dropped it since we looked. */
const NO_PARTITION = '23514';

export interface Batcher {
  /** @returns false when what is held has reached its bound: send no more until onRoom */
  take(message: Message): boolean;
  onRoom(listener: () => void): void;
  /** Writes what is held, then ends. */
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
  /** Called for an error that is neither the message's nor the database's passing fault. */
  readonly fail: (error: unknown) => void;
}

export function startBatcher(deps: BatcherDeps): Batcher {
  const { config, log, metrics, registry, writer } = deps;
  const ending = new AbortController();
  let waiting: Message[] = [];
  let heldBytes = 0;
  let full = false;
  let roomListener = () => {};
  let wake = () => {};
  let pulsedMs = 0;

  const running = run();
  running.catch(deps.fail);

  async function run(): Promise<void> {
    while (true) {
      if (waiting.length === 0) {
        if (ending.signal.aborted) return;
        await idle();
        if (waiting.length > 0) await pause(config.batchWaitMs, ending.signal);
      }
      const messages = waiting;
      waiting = [];
      await writeAll(messages);
    }
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

  async function writeAll(messages: readonly Message[]): Promise<void> {
    let batch: Message[] = [];
    let checked: Checked[] = [];
    let readings = 0;
    for (const message of messages) {
      const one = await check(message);
      batch.push(message);
      checked.push(one);
      readings += one.readings.length + one.refused.length + one.states.length;
      if (readings < config.batchReadings) continue;
      await write(batch, checked);
      batch = [];
      checked = [];
      readings = 0;
    }
    const pulseDue = deps.isConnected() && Date.now() - pulsedMs >= PULSE_EVERY_MS;
    if (batch.length > 0 || pulseDue) await write(batch, checked);
  }

  async function check(message: Message): Promise<Checked> {
    const checked = checkMessage(message, registry);
    if (checked !== 'unknown device') return checked;
    await untilDone('looking up a device', () => registry.refresh());
    const again = checkMessage(message, registry);
    return again === 'unknown device' ? refuseUnknown(message, registry) : again;
  }

  async function write(batch: readonly Message[], checked: readonly Checked[]): Promise<void> {
    const connected = deps.isConnected();
    const nowMs = Date.now();
    const pulse = connected && nowMs - pulsedMs >= 1_000 ? nowMs : undefined;
    const inserted = await untilDone('writing a batch', () => writer.write(checked, pulse), batch);
    if (inserted === 'not storable') return;
    if (pulse !== undefined) pulsedMs = pulse;
    for (const one of checked) {
      metrics.readings.inc(one.readings.length);
      for (const { reason } of one.refused) metrics.refused.inc({ reason });
    }
    metrics.inserted.inc(inserted);
    if (batch.length > 0) metrics.delay.observe((Date.now() - (batch[0]?.receivedAtMs ?? nowMs)) / 1000);
    release(batch);
  }

  /** Tries until it works; a fault that cannot pass is narrowed down to the message that causes it. */
  async function untilDone<T>(what: string, work: () => Promise<T>): Promise<T>;
  async function untilDone<T>(
    what: string,
    work: () => Promise<T>,
    batch: readonly Message[],
  ): Promise<T | 'not storable'>;
  async function untilDone<T>(
    what: string,
    work: () => Promise<T>,
    batch?: readonly Message[],
  ): Promise<T | 'not storable'> {
    for (let failures = 1; ; failures++) {
      try {
        return await work();
      } catch (error) {
        if (error instanceof Error && 'code' in error && error.code === NO_PARTITION) {
          writer.forgetPartitions();
        } else if (!isTransient(error)) {
          if (batch === undefined || batch.length === 0) throw error;
          await narrowDown(batch, error);
          return 'not storable';
        }
        log.warn({ err: error, failures, what }, 'the database is not taking it; trying again');
        await pause(backoffMs(failures));
      }
    }
  }

  async function narrowDown(batch: readonly Message[], error: unknown): Promise<void> {
    const [only] = batch;
    if (batch.length === 1 && only !== undefined) {
      log.error({ err: error, topic: only.topic }, 'a message cannot be stored; it goes to quarantine');
      const detail = `The database refused it: ${error instanceof Error ? error.message : String(error)}`;
      const refused = refuseWhole(only, null, null, null, 'not-storable', detail);
      await untilDone('quarantining', () => writer.write([refused], undefined));
      metrics.refused.inc({ reason: 'not-storable' });
      release(batch);
      return;
    }
    const middle = Math.ceil(batch.length / 2);
    for (const half of [batch.slice(0, middle), batch.slice(middle)]) {
      const checked: Checked[] = [];
      for (const message of half) checked.push(await check(message));
      await write(half, checked);
    }
  }

  function release(batch: readonly Message[]): void {
    for (const message of batch) {
      heldBytes -= message.payload.length;
      message.acknowledge();
    }
    metrics.held.set(heldBytes);
    if (full && heldBytes < config.heldBytes / 2) {
      full = false;
      roomListener();
    }
  }

  return {
    take(message) {
      waiting.push(message);
      heldBytes += message.payload.length;
      wake();
      if (heldBytes >= config.heldBytes) full = true;
      return !full;
    },
    onRoom(listener) {
      roomListener = listener;
    },
    async drain() {
      ending.abort();
      wake();
      await running;
    },
  };
}
