// Transitions in the order in which they were committed, so that a reader who remembers its place misses none.
// Neither the id nor the transaction's number says when a row became visible; but once every transaction up to
// a number has ended, all of its rows are there (see committed.ts).

import { sql, type Transaction } from 'kysely';
import type { StoredTransition } from './incidents.ts';
import type { Tables } from './tables.ts';

type Tx = Transaction<Tables>;

/** How far a reader has come: all before it has been read. */
export interface FeedPlace {
  readonly tx: number;
  readonly id: number;
}

export interface FedTransition extends StoredTransition {
  readonly place: FeedPlace;
  readonly incidentId: string;
}

export interface Feed {
  /** Complete up to the last of them. */
  readonly transitions: readonly FedTransition[];
  /** More is there, which can be read now or in a moment, when older transactions have ended. */
  readonly more: boolean;
}

/** The place after everything that is complete now. */
export async function currentFeedPlace(tx: Tx): Promise<FeedPlace> {
  const found = await sql<{ tx: number }>`
    select pg_snapshot_xmin(pg_current_snapshot())::text::bigint - 1 as tx`.execute(tx);
  return { tx: found.rows[0]?.tx ?? 0, id: Number.MAX_SAFE_INTEGER };
}

/** The transitions that the caller may see after a place, at most `limit` of them. */
export async function listTransitionsAfter(tx: Tx, place: FeedPlace, limit: number): Promise<Feed> {
  const found = await sql<StoredTransition & { tx: number; incidentId: string; complete: boolean }>`
    select tx, id, incident_id as "incidentId", type, at, event_at, by, note,
      tx < pg_snapshot_xmin(pg_current_snapshot())::text::bigint as complete
    from incident_transition
    where tx >= ${place.tx} and (tx, id) > (${place.tx}::bigint, ${place.id}::bigint)
    order by tx, id limit ${limit}`.execute(tx);
  const complete = found.rows.filter((row) => row.complete);
  return {
    transitions: complete.map(({ tx: number, complete: _, ...transition }) => ({
      ...transition,
      place: { tx: number, id: transition.id },
    })),
    more: found.rows.length === limit || complete.length < found.rows.length,
  };
}
