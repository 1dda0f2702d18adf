// The quarantine keeps the newest of each company within its bounds, and counts what it drops for that.

import { describe, expect, it } from 'vitest';
import { createTestDatabase } from '../../test/support/database.ts';

const PLENTY = 1e9;

describe('a full quarantine', async () => {
  const database = await createTestDatabase();
  const { pool } = database.connect();
  const ingest = database.connect('afterwatt_ingest');

  async function fill(company: string | null, rows: number, payloadBytes: number): Promise<void> {
    await pool.query(
      `insert into quarantine (company, reason, detail, topic, payload, tx, message_no, records)
       select $1, 'out-of-range', 'l1.v is 600', 'afterwatt/v1/elm-1/meter-1/readings',
         convert_to(repeat('x', $3), 'UTF8'), 7, n, 1 from generate_series(1, $2) n`,
      [company, rows, payloadBytes],
    );
  }
  const trim = async (company: string, rows: number, bytes: number) =>
    (await ingest.pool.query('select trim_quarantine($1, $2, $3) as n', [company, rows, bytes])).rows[0]?.n;
  const kept = async (company: string | null) =>
    (
      await pool.query<{ n: number }>(
        'select message_no as n from quarantine where company is not distinct from $1 order by id',
        [company],
      )
    ).rows.map(({ n }) => n);

  it('drops the oldest rows beyond the bound, of that company alone, and counts them', async () => {
    await fill('north', 30, 10);
    await fill('south', 30, 10);
    await fill(null, 3, 10);
    expect(await trim('north', 10, PLENTY)).toBe(20);
    expect(await kept('north')).toEqual([21, 22, 23, 24, 25, 26, 27, 28, 29, 30]);
    expect(await kept('south')).toHaveLength(30);
    expect(await trim('', 2, PLENTY)).toBe(1);
    expect(await kept(null)).toEqual([2, 3]);
    await fill('north', 5, 10);
    expect(await trim('north', 10, PLENTY)).toBe(5);
    const counted = await pool.query('select dropped::int as n from quarantine_dropped where company = $1', [
      'north',
    ]);
    expect(counted.rows).toEqual([{ n: 25 }]);
  });

  it('holds the bound in bytes as well, which one large message after the other would pass first', async () => {
    await fill('west', 10, 1_000);
    expect(await trim('west', PLENTY, 4_500)).toBe(6);
    expect(await kept('west')).toEqual([7, 8, 9, 10]);
    expect(await trim('west', PLENTY, 4_500)).toBe(0);
  });
});
