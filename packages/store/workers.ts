// Every process that is up says so, with its metrics, so that one scrape of the API shows them all and workers
// can share work without knowing each other.

import { sql } from 'kysely';
import type { Database } from './connect.ts';

/** A worker not seen for so long is gone. */
const GONE_AFTER = sql`interval '15 seconds'`;

/** @param metrics prom-client's metrics as JSON */
export async function markWorkerSeen(
  db: Database,
  name: string,
  service: string,
  metrics: unknown,
): Promise<void> {
  const json = JSON.stringify(metrics);
  await db
    .insertInto('worker')
    .values({ name, service, metrics: json })
    .onConflict((conflict) => conflict.column('name').doUpdateSet({ seen_at: sql`now()`, metrics: json }))
    .execute();
}

export async function removeWorker(db: Database, name: string): Promise<void> {
  await db.deleteFrom('worker').where('name', '=', name).execute();
}

/** Names of the workers of a service that are up, in order. */
export async function listWorkers(db: Database, service: string): Promise<string[]> {
  const rows = await db
    .selectFrom('worker')
    .select('name')
    .where('service', '=', service)
    .where('seen_at', '>', sql<Date>`now() - ${GONE_AFTER}`)
    .orderBy('name')
    .execute();
  return rows.map((row) => row.name);
}

/** The metrics of all workers that are up, as prom-client's JSON. */
export async function listWorkerMetrics(db: Database): Promise<unknown[]> {
  const rows = await db
    .selectFrom('worker')
    .select('metrics')
    .where('seen_at', '>', sql<Date>`now() - ${GONE_AFTER}`)
    .orderBy('name')
    .execute();
  return rows.map((row) => row.metrics);
}
