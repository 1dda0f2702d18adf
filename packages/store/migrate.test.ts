// The migrations make a schema that the programs accept, and row-level security is in force from the start.

import { sql } from 'kysely';
import { describe, expect, it } from 'vitest';
import { createTestDatabase } from '../../test/support/database.ts';
import { checkSchema, migrate } from './migrate.ts';

const database = await createTestDatabase();

describe('migrations', () => {
  it('are applied once and accepted afterwards', async () => {
    database.keepOnFailure();
    const { db } = database.connect();
    expect(await migrate(db)).toEqual([]);
    await expect(checkSchema(db)).resolves.toBeUndefined();
  });

  it('refuse a database that a newer program has migrated', async () => {
    const { db } = database.connect();
    await sql`insert into kysely_migration (name, timestamp) values ('9999_from_the_future', '')`.execute(db);
    await expect(checkSchema(db)).rejects.toThrow('newer than this program: it has 9999_from_the_future');
    await expect(migrate(db)).rejects.toThrow('newer than this program');
    await sql`delete from kysely_migration where name = '9999_from_the_future'`.execute(db);
  });

  it('let the API see nothing before it has said who calls', async () => {
    const owner = database.connect();
    await sql`insert into site (id, company, name, config) values ('elm-1', 'default', 'Elm 1', '{}')`.execute(
      owner.db,
    );
    const api = database.connect('afterwatt_api');
    const blind = await sql<{ n: number }>`select count(*) as n from site`.execute(api.db);
    expect(blind.rows[0]?.n).toBe(0);
    const seen = await api.db.transaction().execute(async (tx) => {
      await sql`select set_config('afterwatt.role', 'installer', true), set_config('afterwatt.company', 'default', true)`.execute(
        tx,
      );
      return sql<{ id: string }>`select id from site`.execute(tx);
    });
    expect(seen.rows).toEqual([{ id: 'elm-1' }]);
  });
});
