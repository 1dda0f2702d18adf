// Leases on shards: at any time at most one worker moves a shard's cursor, and a worker that lost its lease
// cannot move it any more (the update says whose it must be).

import type { Transaction } from 'kysely';
import { sql } from 'kysely';
import type { Database } from './connect.ts';
import type { Tables } from './tables.ts';

export interface Shard {
  readonly no: number;
  /** Everything up to this transaction has been read. */
  readonly tx: number;
}

/**
 * Takes up to `wanted` shards whose lease is free or has run out, and renews those held.
 * @returns the shards now held by `holder`
 */
export async function leaseShards(
  db: Database,
  holder: string,
  wanted: number,
  leaseMs: number,
): Promise<Shard[]> {
  const until = sql`clock_timestamp() + make_interval(secs => ${leaseMs / 1000})`;
  return db.transaction().execute(async (tx) => {
    const renewed = await sql<Shard>`update shard set lease_until = ${until}
      where holder = ${holder} and lease_until > clock_timestamp() returning no, tx`.execute(tx);
    const missing = Math.max(0, wanted - renewed.rows.length);
    if (missing === 0) return renewed.rows;
    const taken = await sql<Shard>`update shard set holder = ${holder}, lease_until = ${until}
      where no in (select no from shard where holder is null or lease_until <= clock_timestamp()
                   order by no limit ${missing} for update skip locked)
      returning no, tx`.execute(tx);
    return [...renewed.rows, ...taken.rows];
  });
}

/**
 * Renews the leases that have not run out, so that work that takes long loses none. Waits for nobody: a shard whose
 * cursor is just being moved is renewed the next time.
 */
export async function renewShards(db: Database, holder: string, leaseMs: number): Promise<void> {
  await sql`update shard set lease_until = clock_timestamp() + make_interval(secs => ${leaseMs / 1000})
    where no in (select no from shard where holder = ${holder} and lease_until > clock_timestamp()
                 for update skip locked)`.execute(db);
}

/** Gives shards back, so that another worker can take them at once. */
export async function releaseShards(db: Database, holder: string, shards: readonly number[]): Promise<void> {
  await db
    .updateTable('shard')
    .set({ holder: null, lease_until: sql`'-infinity'` })
    .where('holder', '=', holder)
    .where('no', 'in', shards)
    .execute();
}

/**
 * Moves the cursor of held shards, in the transaction that writes what was found on the way.
 * @returns false when a lease was lost: the transaction must be rolled back
 */
export async function moveShards(
  tx: Transaction<Tables>,
  holder: string,
  shards: readonly number[],
  toTx: number,
): Promise<boolean> {
  const moved = await sql`update shard set tx = greatest(tx, ${toTx})
    where no = any (${[...shards]}) and holder = ${holder} and lease_until > clock_timestamp()`.execute(tx);
  return Number(moved.numAffectedRows ?? 0) === shards.length;
}
