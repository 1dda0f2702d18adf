// The API's transactions. Each says first who calls; row-level security (migrations/0001_foundation.sql, end)
// then shows that caller's rows and nobody else's, whatever the query forgets.

import { sql, type Transaction } from 'kysely';
import type { Database } from './connect.ts';
import type { CallerRole, Tables } from './tables.ts';

/** For whom a transaction runs. */
export interface Caller {
  readonly role: CallerRole;
  /** The company of an installer; null for the other roles. */
  readonly company: string | null;
  /** The sites of a homeowner; empty for the other roles. */
  readonly sites: readonly string[];
}

/** Runs `work` in one transaction in which only what the caller may see exists. */
export function asCaller<T>(
  db: Database,
  caller: Caller,
  work: (tx: Transaction<Tables>) => Promise<T>,
): Promise<T> {
  return db.transaction().execute(async (tx) => {
    await sql`select set_config('afterwatt.role', ${caller.role}, true),
      set_config('afterwatt.company', ${caller.company ?? ''}, true),
      set_config('afterwatt.sites', ${caller.sites.join(',')}, true)`.execute(tx);
    return work(tx);
  });
}

/**
 * Lets the rest of the transaction read and delete one site's readings and device states.
 * @param siteNo of a site that this same transaction has found, so that it is one the caller may see
 */
export async function openSite(tx: Transaction<Tables>, siteNo: number): Promise<void> {
  await sql`select set_config('afterwatt.site_no', ${String(siteNo)}, true)`.execute(tx);
}
