// Sites as the rules see them: the registration, and the state their detectors were in.

import type { Site } from '@afterwatt/wire';
import { sql, type Transaction } from 'kysely';
import { SHARD_COUNT } from './committed.ts';
import type { Database } from './connect.ts';
import type { Tables } from './tables.ts';

export interface WatchedSite {
  readonly siteNo: number;
  /** The transaction that registered it; its readings all came later. */
  readonly firstTx: number;
  readonly site: Site;
  readonly deletedAt: Date | null;
  /** Device names by number. */
  readonly devices: readonly { readonly no: number; readonly id: string }[];
}

export interface SavedState {
  readonly siteNo: number;
  /** The state is that after this transaction. */
  readonly tx: number;
  /** JSON as it was saved. */
  readonly state: unknown;
}

/** Sites of the shards, with their devices, in order of number. */
export async function listWatchedSites(db: Database, shards: readonly number[]): Promise<WatchedSite[]> {
  return selectWatched(db, sql`s.deleted_at is null and s.no % ${SHARD_COUNT} = any (${[...shards]})`);
}

/** The sites of these numbers that are still registered. */
export async function listWatchedSitesByNumber(
  db: Database,
  siteNos: readonly number[],
): Promise<WatchedSite[]> {
  return selectWatched(db, sql`s.deleted_at is null and s.no = any (${[...siteNos]})`);
}

/** Sites of the shards that were registered, changed or deleted in (fromTx, toTx]. */
export async function listChangedSites(
  db: Database,
  window: { readonly fromTx: number; readonly toTx: number },
  shards: readonly number[],
): Promise<WatchedSite[]> {
  return selectWatched(
    db,
    sql`s.tx > ${window.fromTx} and s.tx <= ${window.toTx} and s.no % ${SHARD_COUNT} = any (${[...shards]})`,
  );
}

async function selectWatched(db: Database, where: ReturnType<typeof sql>): Promise<WatchedSite[]> {
  const found = await sql<WatchedSite>`
    select s.no as "siteNo", s.first_tx as "firstTx", s.config as site, s.deleted_at as "deletedAt",
      coalesce((select json_agg(json_build_object('no', d.no, 'id', d.id)) from device d where d.site_no = s.no), '[]')
        as devices
    from site s where ${where} order by s.no`.execute(db);
  return found.rows;
}

export async function listDetectorStates(db: Database, shards: readonly number[]): Promise<SavedState[]> {
  const found = await sql<SavedState>`select site_no as "siteNo", tx, state from detector_state
    where site_no % ${SHARD_COUNT} = any (${[...shards]})`.execute(db);
  return found.rows;
}

/** Saves detector states, many at once; a state never goes back to an older transaction. */
export async function upsertDetectorStates(
  tx: Transaction<Tables>,
  states: readonly SavedState[],
): Promise<void> {
  if (states.length === 0) return;
  await sql`insert into detector_state (site_no, tx, state)
    select * from unnest(${states.map((s) => s.siteNo)}::int[], ${states.map((s) => s.tx)}::bigint[],
      ${states.map((s) => JSON.stringify(s.state))}::json[])
    on conflict (site_no) do update set tx = excluded.tx, state = excluded.state, saved_at = now()
      where detector_state.tx <= excluded.tx`.execute(tx);
}

/** A stored CAP alert as the rules read it. */
export interface StoredAlert {
  readonly tx: number;
  /** The CAP 1.2 message as it came, XML. */
  readonly document: string;
}

/** Alerts stored in (fromTx, toTx], oldest first. */
export async function listAlerts(
  db: Database,
  window: { readonly fromTx: number; readonly toTx: number },
): Promise<StoredAlert[]> {
  return db
    .selectFrom('storm_alert')
    .select(['tx', 'document'])
    .where('tx', '>', window.fromTx)
    .where('tx', '<=', window.toTx)
    .orderBy('tx')
    .orderBy('id')
    .execute();
}
