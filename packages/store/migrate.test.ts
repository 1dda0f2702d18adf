// The migrations make a schema that the programs accept, and row-level security is in force from the start.

import { sql } from 'kysely';
import { describe, expect, it } from 'vitest';
import { createTestDatabase } from '../../test/support/database.ts';
import { connect } from './connect.ts';
import { freePort } from './embedded-postgres.ts';
import { checkSchema, migrate, requireSchema } from './migrate.ts';

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

  it.each([
    {
      why: 'there is no server',
      change: async (url: URL) => {
        url.port = `${await freePort()}`;
      },
      says: /^DATABASE_URL: the database does not answer \(.*ECONNREFUSED.*\)\.$/,
    },
    {
      why: 'there is no database of that name',
      change: async (url: URL) => {
        url.pathname = '/afterwatt_test_nowhere';
      },
      says: /^DATABASE_URL: database "afterwatt_test_nowhere" does not exist\.$/,
    },
  ])('are asked for in one line that says that $why', async ({ change, says }) => {
    const url = new URL(database.url);
    await change(url);
    const options = { role: null, name: 'test', maxConnections: 1, statementTimeoutMs: 0 } as const;
    const elsewhere = connect({ ...options, url: url.href });
    await expect(requireSchema(elsewhere.db)).rejects.toThrow(says);
    await elsewhere.close();
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
