// Replays: what would other thresholds have found in stored readings? Asked by a person, answered by a worker.

import { type Selectable, sql, type Transaction } from 'kysely';
import type { Database } from './connect.ts';
import type { ReplayTable, Tables } from './tables.ts';

export type StoredReplay = Selectable<ReplayTable>;

export interface NewReplay {
  readonly company: string;
  readonly askedBy: string;
  readonly siteNos: readonly number[];
  readonly from: Date;
  readonly to: Date;
  readonly thresholds: Readonly<Record<string, Readonly<Record<string, number>>>>;
}

/** A worker that has not said for so long that it is at a replay has died. */
const ABANDONED_AFTER = sql`interval '30 seconds'`;

export async function insertReplay(tx: Transaction<Tables>, replay: NewReplay): Promise<StoredReplay> {
  return tx
    .insertInto('replay')
    .values({
      company: replay.company,
      asked_by: replay.askedBy,
      sites: [...replay.siteNos],
      from_at: replay.from,
      to_at: replay.to,
      thresholds: JSON.stringify(replay.thresholds),
    })
    .returningAll()
    .executeTakeFirstOrThrow();
}

export async function findReplay(tx: Transaction<Tables>, id: string): Promise<StoredReplay | undefined> {
  return tx.selectFrom('replay').selectAll().where('id', '=', id).executeTakeFirst();
}

/** Takes the oldest replay that nobody is at. */
export async function takeReplay(db: Database): Promise<StoredReplay | undefined> {
  return db.transaction().execute(async (tx) => {
    const next = await tx
      .selectFrom('replay')
      .select('id')
      .where((eb) =>
        eb.or([
          eb('state', '=', 'waiting'),
          eb.and([eb('state', '=', 'running'), eb('seen_at', '<', sql<Date>`now() - ${ABANDONED_AFTER}`)]),
        ]),
      )
      .orderBy('asked_at')
      .limit(1)
      .forUpdate()
      .skipLocked()
      .executeTakeFirst();
    if (next === undefined) return undefined;
    return tx
      .updateTable('replay')
      .set({ state: 'running', seen_at: sql`now()`, progress: 0 })
      .where('id', '=', next.id)
      .returningAll()
      .executeTakeFirst();
  });
}

/** @param progress 0 to 1 */
export async function markReplayProgress(db: Database, id: string, progress: number): Promise<void> {
  await db.updateTable('replay').set({ progress, seen_at: sql`now()` }).where('id', '=', id).execute();
}

export async function finishReplay(db: Database, id: string, result: object): Promise<void> {
  await db
    .updateTable('replay')
    .set({ state: 'done', progress: 1, result: JSON.stringify(result) })
    .where('id', '=', id)
    .execute();
}

export async function failReplay(db: Database, id: string, failure: string): Promise<void> {
  await db.updateTable('replay').set({ state: 'failed', failure }).where('id', '=', id).execute();
}
