// One batch, one transaction: readings, states, what was refused, and the pulse.

import {
  copyReadings,
  ensureReadingPartitions,
  holdPackedDays,
  insertDeviceStates,
  insertPulse,
  insertQuarantined,
  insertReadings,
  isKnownReading,
  prepareInsert,
} from '@afterwatt/store';
import type pg from 'pg';
import type { Batch } from './batch.ts';

/**
 * Copying straight into the tables is about a third faster, but a reading that is there already costs the whole
 * attempt. Readings that come twice come in crowds, after a lost connection: so many batches after one go the way
 * that leaves known readings out.
 */
const CAREFUL_BATCHES = 8;

export interface BatchWriter {
  /** @returns how many readings were new; the rest were there already */
  write(batch: Batch, pulseAtMs: number | undefined): Promise<number>;
  /** Forgets which partitions there are; retention may have dropped one. */
  forgetPartitions(): void;
}

export function createBatchWriter(pool: pg.Pool, worker: string): BatchWriter {
  const prepared = new WeakSet<pg.ClientBase>();
  const partitioned = new Set<number>();
  let careful = 0;
  let lastTurn = Promise.resolve();

  /**
   * The rules read in the order of the transactions' numbers, so batches get theirs in the order in which they came,
   * although two are written at once. `end` lets the next one go.
   */
  function takeTurn(): { readonly before: Promise<void>; end(): void } {
    const before = lastTurn;
    let end = () => {};
    lastTurn = new Promise((resolve) => {
      end = resolve;
    });
    return { before, end };
  }

  async function ensurePartitions(days: Iterable<number>): Promise<void> {
    for (const day of days) {
      if (partitioned.has(day)) continue;
      await ensureReadingPartitions(pool, day);
      partitioned.add(day);
    }
  }

  async function inTransaction<T>(
    client: pg.ClientBase,
    onNumbered: () => void,
    work: () => Promise<T>,
  ): Promise<T> {
    await client.query('begin; select pg_current_xact_id()');
    onNumbered();
    try {
      const result = await work();
      await client.query('commit');
      return result;
    } catch (error) {
      if (isKnownReading(error)) await client.query('rollback');
      throw error;
    }
  }

  async function writeAs(
    client: pg.ClientBase,
    isCareful: boolean,
    batch: Batch,
    pulseAtMs: number | undefined,
    onNumbered: () => void,
  ): Promise<number> {
    return inTransaction(client, onNumbered, async () => {
      const packed = await holdPackedDays(client, batch.readings, Date.now());
      const inserted =
        isCareful || packed.length > 0
          ? await insertReadings(client, batch.readings, packed)
          : await copyReadings(client, batch.readings);
      await insertDeviceStates(client, batch.states);
      await insertQuarantined(client, batch.refused);
      if (pulseAtMs !== undefined) await insertPulse(client, worker, pulseAtMs);
      return inserted;
    });
  }

  return {
    async write(batch, pulseAtMs) {
      const turn = takeTurn();
      let client: pg.PoolClient | undefined;
      let broken: Error | undefined;
      try {
        await ensurePartitions(batch.readings.days());
        await turn.before;
        client = await pool.connect();
        if (!prepared.has(client)) {
          await prepareInsert(client);
          prepared.add(client);
        }
        if (careful === 0) {
          try {
            return await writeAs(client, false, batch, pulseAtMs, turn.end);
          } catch (error) {
            if (!isKnownReading(error)) throw error;
            careful = CAREFUL_BATCHES;
          }
        }
        careful -= 1;
        return await writeAs(client, true, batch, pulseAtMs, turn.end);
      } catch (error) {
        broken = error instanceof Error ? error : new Error(String(error));
        throw error;
      } finally {
        turn.end();
        // A connection with a failed transaction is not used again.
        client?.release(broken);
      }
    },
    forgetPartitions: () => partitioned.clear(),
  };
}
