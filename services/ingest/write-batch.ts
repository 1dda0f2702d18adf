// One batch, one transaction: readings, states, what was refused, and the pulse.

import { insertReadings, type PlacedReading, prepareReadingWriter } from '@afterwatt/store';
import type pg from 'pg';
import type { Checked, Refused, StateOfDevice } from './check-message.ts';

const DAY_MS = 86_400_000;
/** A refused message is kept whole up to this; more of it helps nobody. */
const QUARANTINE_PAYLOAD_BYTES = 64 * 1024;

export interface BatchWriter {
  /** @returns how many readings were new; the rest were there already */
  write(batch: readonly Checked[], pulseAtMs: number | undefined): Promise<number>;
  /** Forgets which partitions there are; retention may have dropped one. */
  forgetPartitions(): void;
}

const prepared = new WeakSet<pg.ClientBase>();

export function createBatchWriter(pool: pg.Pool, worker: string): BatchWriter {
  const days = new Set<number>();

  async function ensurePartitions(readings: readonly PlacedReading[]): Promise<void> {
    const missing = new Set<number>();
    for (const { reading } of readings) {
      const day = Math.floor(reading.at / DAY_MS);
      if (!days.has(day)) missing.add(day);
    }
    for (const day of missing) {
      await pool.query('select ensure_reading_partitions($1)', [
        new Date(day * DAY_MS).toISOString().slice(0, 10),
      ]);
      days.add(day);
    }
  }

  return {
    async write(batch, pulseAtMs) {
      const readings = batch.flatMap((checked) => checked.readings);
      await ensurePartitions(readings);
      const client = await pool.connect();
      let broken: Error | undefined;
      try {
        if (!prepared.has(client)) {
          await prepareReadingWriter(client);
          prepared.add(client);
        }
        await client.query('begin');
        const inserted = await insertReadings(client, readings);
        for (const checked of batch) {
          for (const state of checked.states) await insertState(client, state);
          for (const refused of checked.refused) await insertRefused(client, refused);
        }
        if (pulseAtMs !== undefined) {
          await client.query('insert into pulse (at, worker) values ($1, $2)', [new Date(pulseAtMs), worker]);
        }
        await client.query('commit');
        return inserted;
      } catch (error) {
        broken = error instanceof Error ? error : new Error(String(error));
        throw error;
      } finally {
        // A connection with a failed transaction is not used again.
        client.release(broken);
      }
    },
    forgetPartitions: () => days.clear(),
  };
}

async function insertState(
  client: pg.ClientBase,
  { device, receivedAtMs, state }: StateOfDevice,
): Promise<void> {
  await client.query(
    `insert into device_state (received_at, site_no, device_no, online, firmware, self_test_at, self_test_passed,
       self_test_detail, clock_at, settings)
     values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10) on conflict do nothing`,
    [
      new Date(receivedAtMs),
      device.siteNo,
      device.deviceNo,
      state.online,
      state.firmware,
      state.selfTest === null ? null : new Date(state.selfTest.at),
      state.selfTest?.passed ?? null,
      state.selfTest?.detail ?? null,
      state.clock === null ? null : new Date(state.clock),
      state.settings === null ? null : JSON.stringify(state.settings),
    ],
  );
}

async function insertRefused(client: pg.ClientBase, refused: Refused): Promise<void> {
  const { message } = refused;
  await client.query(
    `insert into quarantine (received_at, company, site, device, reason, detail, record, topic, content_type, payload)
     values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
    [
      new Date(message.receivedAtMs),
      refused.company,
      refused.site,
      refused.device,
      refused.reason,
      refused.detail,
      refused.record,
      message.topic.replaceAll('\0', ' '),
      message.contentType?.replaceAll('\0', ' ') ?? null,
      message.payload.subarray(0, QUARANTINE_PAYLOAD_BYTES),
    ],
  );
}
