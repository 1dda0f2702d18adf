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
  readonly transitions: readonly FedTransition[];
  /** Everything that the caller may see up to here has been read: the place to go on from. */
  readonly reached: FeedPlace;
  /** More is there, which can be read now or in a moment, when older transactions have ended. */
  readonly more: boolean;
}

/** The place after everything that is complete now. */
export async function currentFeedPlace(tx: Tx): Promise<FeedPlace> {
  const found = await sql<{ oldest: number }>`
    select pg_snapshot_xmin(pg_current_snapshot())::text::bigint as oldest`.execute(tx);
  return before(found.rows[0]?.oldest ?? 0);
}

/** The transitions that the caller may see after a place, at most `limit` of them. */
export async function listTransitionsAfter(tx: Tx, place: FeedPlace, limit: number): Promise<Feed> {
  const found = await sql<Partial<StoredTransition> & { oldest: number; tx: number; incidentId: string }>`
    select oldest, found.* from (select pg_snapshot_xmin(pg_current_snapshot())::text::bigint as oldest) running
    left join lateral (
      select tx, id, incident_id as "incidentId", type, at, event_at, by, note
      from incident_transition
      where tx >= ${place.tx} and (tx, id) > (${place.tx}::bigint, ${place.id}::bigint)
      order by tx, id limit ${limit}) found on true
    order by tx, id`.execute(tx);
  const oldest = found.rows[0]?.oldest ?? 0;
  const rows = found.rows.flatMap(({ oldest: _, ...row }) => (isTransition(row) ? [row] : []));
  const transitions = rows
    .filter((row) => row.tx < oldest)
    .map(({ tx: number, ...transition }) => ({ ...transition, place: { tx: number, id: transition.id } }));
  const isFull = rows.length === limit;
  const complete = isFull ? (transitions.at(-1)?.place ?? place) : later(place, before(oldest));
  return { transitions, reached: complete, more: isFull || transitions.length < rows.length };
}

/** The place after all of the transactions below a number. */
function before(tx: number): FeedPlace {
  return { tx: tx - 1, id: Number.MAX_SAFE_INTEGER };
}

function later(a: FeedPlace, b: FeedPlace): FeedPlace {
  return a.tx > b.tx ? a : b;
}

/** An outer join without a match gives one row of nulls. */
function isTransition<T extends Partial<StoredTransition>>(row: T): row is T & StoredTransition {
  return row.id != null;
}
