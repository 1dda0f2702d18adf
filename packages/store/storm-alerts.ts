// CAP messages as the API takes and lists them; what they mean is @afterwatt/storm's to say.

import { sql } from 'kysely';
import type { Database } from './connect.ts';

export interface NewStormAlert {
  readonly sender: string;
  readonly identifier: string;
  readonly sentAt: Date;
  /** The latest `expires` of its info blocks; null when it names none. */
  readonly expiresAt: Date | null;
  /** The message as it was understood. */
  readonly alert: object;
  /** The message as it came, XML. */
  readonly document: string;
}

/** What an alert without `expires` may still be good for, with its onset days ahead; far more than it needs. */
const LONGEST_WITHOUT_EXPIRY = sql`interval '30 days'`;

/** @returns the id, and whether this very message (sender, identifier, sent) was stored before; the first stands */
export async function insertStormAlert(
  db: Database,
  alert: NewStormAlert,
): Promise<{ readonly id: number; readonly receivedAt: Date; readonly isNew: boolean }> {
  const inserted = await db
    .insertInto('storm_alert')
    .values({
      sender: alert.sender,
      identifier: alert.identifier,
      sent_at: alert.sentAt,
      expires_at: alert.expiresAt,
      alert: JSON.stringify(alert.alert),
      document: alert.document,
    })
    .onConflict((conflict) => conflict.doNothing())
    .returning(['id', 'received_at as receivedAt'])
    .executeTakeFirst();
  if (inserted !== undefined) return { ...inserted, isNew: true };
  const earlier = await db
    .selectFrom('storm_alert')
    .select(['id', 'received_at as receivedAt'])
    .where('sender', '=', alert.sender)
    .where('identifier', '=', alert.identifier)
    .where('sent_at', '=', alert.sentAt)
    .executeTakeFirstOrThrow();
  return { ...earlier, isNew: false };
}

/**
 * The ids of all messages that may bear on what is in force now: those that may not have expired, and all later
 * ones, which may update or cancel them. At most `limit`, the newest.
 */
export async function listRecentAlertIds(db: Database, limit: number): Promise<number[]> {
  const found = await sql<{ id: number }>`
    select id from storm_alert
    where sent_at >= (select min(sent_at) from storm_alert
      where expires_at > now() - interval '7 days'
        or (expires_at is null and sent_at > now() - ${LONGEST_WITHOUT_EXPIRY}))
    order by id desc limit ${limit}`.execute(db);
  return found.rows.map(({ id }) => id);
}

/** The messages as they came, XML, in no order. */
export function listAlertDocuments(
  db: Database,
  ids: readonly number[],
): Promise<{ id: number; receivedAt: Date; document: string }[]> {
  return db
    .selectFrom('storm_alert')
    .select(['id', 'received_at as receivedAt', 'document'])
    .where(sql<boolean>`id = any (${[...ids]})`)
    .execute();
}
