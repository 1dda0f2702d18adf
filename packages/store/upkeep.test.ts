// Partitions are there before they are needed, and old days go as a whole.

import { describe, expect, it } from 'vitest';
import { createTestDatabase } from '../../test/support/database.ts';
import { keepUp } from './upkeep.ts';

const database = await createTestDatabase();

const KEEP = { readingDays: 35, minuteDays: 90, coarseDays: 3650 };

describe('upkeep', () => {
  it('makes the days ahead, drops those past retention and keeps the rest, however many workers do it at once', async () => {
    database.keepOnFailure();
    const ingest = database.connect('afterwatt_ingest');
    const now = Date.UTC(2026, 5, 15, 3, 10);
    for (const day of ['2026-05-10', '2026-05-11', '2026-06-14']) {
      await ingest.pool.query('select ensure_reading_partitions($1)', [day]);
    }
    const done = await Promise.all([1, 2, 3].map(() => keepUp(ingest.pool, now, KEEP)));
    expect(done.reduce((sum, { partitionsDropped }) => sum + partitionsDropped, 0)).toBe(2);
    const left = await database
      .connect()
      .pool.query<{ name: string }>(
        `select inhrelid::regclass::text as name from pg_inherits where inhparent = 'meter_reading'::regclass order by 1`,
      );
    expect(left.rows.map(({ name }) => name)).toEqual([
      'meter_reading_20260511',
      'meter_reading_20260614',
      'meter_reading_20260615',
      'meter_reading_20260616',
      'meter_reading_20260617',
    ]);
  });
});
