// The ceiling: the same rows in the same order, already made, by COPY from memory into the same tables, idempotent in
// the same way, two connections at once, with nothing to receive, decode, check or acknowledge.

import { copyReadings, ensureReadingPartitions, ReadingRows } from '@afterwatt/store';
import type { OwnPostgres } from '../support/own-postgres.ts';
import { type FleetDevice, readingsOf } from './fleet.ts';

const ROWS_A_BATCH = 5_000;

/**
 * @param rows how many in all
 * @returns rows a second
 */
export async function measureCeiling(
  { owner }: OwnPostgres,
  fleet: readonly FleetDevice[],
  readingsAPack: number,
  fromMs: number,
  rows: number,
): Promise<number> {
  const batches: ReadingRows[] = [new ReadingRows()];
  for (const { device, readings } of readingsOf(
    fleet,
    readingsAPack,
    fromMs,
    Math.ceil(rows / readingsAPack),
  )) {
    if ((batches.at(-1)?.count ?? 0) >= ROWS_A_BATCH) batches.push(new ReadingRows());
    for (const reading of readings) batches.at(-1)?.add(device.siteNo, device.deviceNo, reading);
  }
  for (const batch of batches) {
    for (const day of batch.days()) await ensureReadingPartitions(owner.pool, day);
  }
  await owner.pool.query('checkpoint');
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
