// Readings into the database as ingest writes them, without an ingest.

import { holdPackedDays, insertReadings, prepareInsert, ReadingRows } from '@afterwatt/store';
import type { Reading } from '@afterwatt/wire';
import type pg from 'pg';

export interface TestDevice {
  readonly siteNo: number;
  readonly deviceNo: number;
}

/** In one transaction; makes the partitions. @returns how many were new */
export async function writeReadings(
  pool: pg.Pool,
  { siteNo, deviceNo }: TestDevice,
  readings: readonly Reading[],
): Promise<number> {
  const rows = new ReadingRows();
  for (const reading of readings) rows.add(siteNo, deviceNo, reading);
  const client = await pool.connect();
  let broken = true;
  try {
    await client.query('discard temp');
    await prepareInsert(client);
    for (const day of rows.days()) {
      await client.query('select ensure_reading_partitions($1)', [
        new Date(day * 86_400_000).toISOString().slice(0, 10),
      ]);
    }
    await client.query('begin');
    const packed = await holdPackedDays(client, rows, Date.now());
    const inserted = await insertReadings(client, rows, packed);
    await client.query('commit');
    broken = false;
    return inserted;
  } finally {
    client.release(broken);
  }
}

/**
 * Waits until all that was committed can be read in commit order: a transaction in another test's database, in the same
 * server, holds it back as well.
 */
export async function untilReadable(pool: pg.Pool): Promise<void> {
  for (;;) {
    const found = await pool.query<{ complete: boolean | null }>(
      `select pg_snapshot_xmin(pg_current_snapshot())::text::bigint >
         greatest((select max(tx) from meter_reading), (select max(tx) from battery_reading)) as complete`,
    );
    if (found.rows[0]?.complete !== false) return;
    await new Promise((resolve) => setTimeout(resolve, 10));
  }
}
