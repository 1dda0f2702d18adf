// Keeps the quarantine within its bound, and judges again what somebody asked for: such a message goes the way of
// every other one, and leaves once that is committed.

import { isTransient, type Logger } from '@afterwatt/runtime';
import { deleteReplayed, listReplayed, trimQuarantine } from '@afterwatt/store';
import type pg from 'pg';
import type { Batch } from './batch.ts';
import type { Take } from './message.ts';
import type { IngestMetrics } from './metrics.ts';
import type { Registry } from './registry.ts';

/** Rows a company may add before its part is measured again. */
const TRIM_EVERY_ROWS = 500;
const REPLAY_EVERY_MS = 2_000;
const REPLAYS_AT_ONCE = 50;

export interface QuarantineKeeper {
  noteRefused(batch: Batch): void;
  close(): Promise<void>;
}

export interface QuarantineKeeperDeps {
  readonly pool: pg.Pool;
  readonly take: Take;
  readonly registry: Registry;
  readonly metrics: IngestMetrics;
  readonly log: Logger;
}

export function keepQuarantine({
  pool,
  take,
  registry,
  metrics,
  log,
}: QuarantineKeeperDeps): QuarantineKeeper {
  const added = new Map<string | null, number>();
  let working: Promise<unknown> = Promise.resolve();

  function later(what: string, work: () => Promise<void>): void {
    working = working.then(work).catch((error: unknown) => {
      // Nothing is lost by waiting: it is tried again with the next rows, or the next round.
      if (isTransient(error)) log.debug({ err: error, what }, 'the quarantine waits');
      else log.error({ err: error, what }, 'the quarantine cannot be kept');
    });
  }

  async function replay(): Promise<void> {
    const messages = await listReplayed(pool, REPLAYS_AT_ONCE);
    // Often what was missing is the registration.
    if (messages.length > 0) await registry.refresh(Date.now() - 1);
    for (const { receivedAt, company, ...message } of messages) {
      take({
        topic: message.topic,
        payload: message.payload,
        contentType: message.contentType ?? undefined,
        receivedAtMs: receivedAt.getTime(),
        company: company ?? undefined,
        acknowledge: () => later('replay', () => deleteReplayed(pool, message)),
      });
    }
  }

  const timer = setInterval(() => later('replay', replay), REPLAY_EVERY_MS);
  return {
    noteRefused(batch) {
      for (const { company } of batch.refused) added.set(company, (added.get(company) ?? 0) + 1);
      for (const [company, rows] of added) {
        if (rows < TRIM_EVERY_ROWS) continue;
        added.delete(company);
        later('trim', async () => metrics.dropped.inc(await trimQuarantine(pool, company)));
      }
    },
    async close() {
      clearInterval(timer);
      await working;
    },
  };
}
