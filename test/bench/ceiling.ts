// The ceiling: the same rows, already made, by COPY from memory into the same tables, idempotent in the same way,
// two connections at once, with nothing to receive, decode, check or acknowledge.

import { copyReadings, ensureReadingPartitions, ReadingRows } from '@afterwatt/store';
import type { OwnPostgres } from '../support/own-postgres.ts';
import { type FleetDevice, meterReading, PERIOD_MS } from './fleet.ts';

const ROWS_A_BATCH = 5_000;

/** @returns rows a second */
export async function measureCeiling(
  { owner }: OwnPostgres,
  fleet: readonly FleetDevice[],
  fromMs: number,
  rows: number,
): Promise<number> {
  const batches: ReadingRows[] = [];
  for (let row = 0; row < rows; row++) {
    if (row % ROWS_A_BATCH === 0) batches.push(new ReadingRows());
    const index = row % fleet.length;
    const device = fleet[index];
    if (device === undefined) throw new Error('no fleet');
    const atMs = fromMs + Math.floor(row / fleet.length) * PERIOD_MS;
    batches.at(-1)?.add(device.siteNo, device.deviceNo, meterReading(index, atMs));
  }
  for (const batch of batches) {
    for (const day of batch.days()) await ensureReadingPartitions(owner.pool, day);
  }
  const startedMs = performance.now();
  await Promise.all(
    [0, 1].map(async (lane) => {
      const client = await owner.pool.connect();
      for (let index = lane; index < batches.length; index += 2) {
        const batch = batches[index];
        if (batch === undefined) continue;
        await client.query('begin');
        await copyReadings(client, batch);
        await client.query('commit');
      }
      client.release();
    }),
  );
  return rows / ((performance.now() - startedMs) / 1000);
}
