// What could not be accepted, and why.

import { sql, type Transaction } from 'kysely';
import type { Tables } from './tables.ts';

type Tx = Transaction<Tables>;

export interface QuarantinedRecord {
  readonly id: number;
  readonly receivedAt: Date;
  readonly company: string | null;
  readonly site: string | null;
  readonly device: string | null;
  readonly reason: string;
  readonly detail: string;
  readonly record: string | null;
  readonly topic: string;
  readonly contentType: string | null;
  readonly payloadBytes: number;
}

export interface QuarantineFilter {
  /** Empty = any, here and below. */
  readonly sites: readonly string[];
  readonly reasons: readonly string[];
  /** Ids before this one. */
  readonly beforeId: number | undefined;
  readonly limit: number;
}

const RECORD = [
  'id',
  'received_at as receivedAt',
  'company',
  'site',
  'device',
  'reason',
  'detail',
  'record',
  'topic',
  'content_type as contentType',
] as const;

const payloadBytes = sql<number>`octet_length(payload)`.as('payloadBytes');

/** Newest first, without the payloads. */
export function listQuarantine(tx: Tx, filter: QuarantineFilter): Promise<QuarantinedRecord[]> {
  let query = tx.selectFrom('quarantine').select(RECORD).select(payloadBytes);
  if (filter.sites.length > 0) query = query.where('site', 'in', filter.sites);
  if (filter.reasons.length > 0) query = query.where('reason', 'in', filter.reasons);
  if (filter.beforeId !== undefined) query = query.where('id', '<', filter.beforeId);
  return query.orderBy('id', 'desc').limit(filter.limit).execute();
}

export function findQuarantined(
  tx: Tx,
  id: number,
): Promise<(QuarantinedRecord & { readonly payload: Buffer }) | undefined> {
  return tx
    .selectFrom('quarantine')
    .select([...RECORD, 'payload'])
    .select(payloadBytes)
    .where('id', '=', id)
    .executeTakeFirst();
}
