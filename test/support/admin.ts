// What a test's databases are made and dropped with.

import pg from 'pg';

export async function asAdmin(url: string, statement: string): Promise<void> {
  if (!statement.includes('_test_')) throw new Error('refuses a database without test in its name');
  const client = new pg.Client({ connectionString: url });
  await client.connect();
  try {
    await client.query(statement);
  } finally {
    await client.end();
  }
}

/** The same server's URL, of another database. */
export function withDatabase(url: string, database: string): string {
  const changed = new URL(url);
  changed.pathname = `/${database}`;
  return changed.href;
}
