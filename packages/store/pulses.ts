import type pg from 'pg';

/** "The ingest is up, connected, and this is its clock": all that arrived before `at` is committed. */
export async function insertPulse(client: pg.ClientBase, worker: string, atMs: number): Promise<void> {
  await client.query('insert into pulse (at, worker) values ($1, $2)', [new Date(atMs), worker]);
}
