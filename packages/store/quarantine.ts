// What could not be accepted, and why.

import { sql, type Transaction } from 'kysely';
import type pg from 'pg';
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
  /** Records of the message that share name and reason. */
  readonly records: number;
  /** When it is to be judged again, if somebody asked for that. */
  readonly replayAt: Date | null;
}

export interface QuarantineFilter {
  /** Empty = any, here and below. */
  readonly sites: readonly string[];
  readonly devices: readonly string[];
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
  'records',
  'replay_at as replayAt',
] as const;

/** The first row of a message has its payload; null once that row was dropped. */
const PAYLOAD = sql<Buffer | null>`(select p.payload from quarantine p where p.tx = quarantine.tx
  and p.message_no = quarantine.message_no and p.payload is not null order by p.id limit 1)`;
const payloadBytes = sql<number>`coalesce(octet_length(${PAYLOAD}), 0)`.as('payloadBytes');

/** Newest first, without the payloads. */
export function listQuarantine(tx: Tx, filter: QuarantineFilter): Promise<QuarantinedRecord[]> {
  let query = tx.selectFrom('quarantine').select(RECORD).select(payloadBytes);
  if (filter.sites.length > 0) query = query.where('site', 'in', filter.sites);
  if (filter.devices.length > 0) query = query.where('device', 'in', filter.devices);
  if (filter.reasons.length > 0) query = query.where('reason', 'in', filter.reasons);
  if (filter.beforeId !== undefined) query = query.where('id', '<', filter.beforeId);
  return query.orderBy('id', 'desc').limit(filter.limit).execute();
}

export function findQuarantined(
  tx: Tx,
  id: number,
): Promise<(QuarantinedRecord & { readonly payload: Buffer | null }) | undefined> {
  return tx
    .selectFrom('quarantine')
    .select(RECORD)
    .select([payloadBytes, PAYLOAD.as('payload')])
    .where('id', '=', id)
    .executeTakeFirst();
}

/** How often a device's records were refused for one reason. */
export interface QuarantineReasonCount {
  readonly site: string | null;
  readonly device: string | null;
  readonly reason: string;
  readonly records: number;
  readonly lastAt: Date;
  /** The newest of them, to read what is wrong. */
  readonly lastId: number;
}

/** What is wrong with whom: reasons counted per device, most records first. */
export async function listQuarantineReasons(
  tx: Tx,
  filter: Pick<QuarantineFilter, 'sites' | 'devices' | 'limit'>,
): Promise<QuarantineReasonCount[]> {
  let query = tx
    .selectFrom('quarantine')
    .select(['site', 'device', 'reason'])
    .select(({ fn }) => [
      fn.sum<number>('records').as('records'),
      fn.max('received_at').as('lastAt'),
      fn.max('id').as('lastId'),
    ])
    .groupBy(['site', 'device', 'reason']);
  if (filter.sites.length > 0) query = query.where('site', 'in', filter.sites);
  if (filter.devices.length > 0) query = query.where('device', 'in', filter.devices);
  return query.orderBy('records', 'desc').orderBy('site').orderBy('device').limit(filter.limit).execute();
}

/** What a company's part of the quarantine lost because it was full. */
export interface QuarantineDropped {
  /** Null = of no known company. */
  readonly company: string | null;
  /** Rows of `listQuarantine`, since the first start. */
  readonly dropped: number;
  readonly lastAt: Date;
}

/** Companies that lost none are not in it. At most `limit`, the latest loss first. */
export function listQuarantineDropped(tx: Tx, limit: number): Promise<QuarantineDropped[]> {
  return tx
    .selectFrom('quarantine_dropped')
    .select(['dropped', 'last_at as lastAt'])
    .select(({ fn, ref, val }) => fn<string | null>('nullif', [ref('company'), val('')]).as('company'))
    .orderBy('last_at', 'desc')
    .orderBy('quarantine_dropped.company')
    .limit(limit)
    .execute();
}

/**
 * Asks ingest to judge a message again, by the rules and registrations of now; what is accepted then leaves.
 * @returns false when there is none that the caller may see, or its payload is not there any more
 */
export async function markForReplay(tx: Tx, id: number): Promise<boolean> {
  const found = await findQuarantined(tx, id);
  if (found === undefined || found.payload === null) return false;
  const marked = await sql`update quarantine set replay_at = now() where id = ${id}`.execute(tx);
  return marked.numAffectedRows === 1n;
}

/** What ingest puts in: one row for each reason and name of a message. */
export interface NewQuarantined {
  readonly receivedAtMs: number;
  readonly company: string | null;
  readonly site: string | null;
  readonly device: string | null;
  readonly reason: string;
  readonly detail: string;
  readonly record: string | null;
  readonly records: number;
  readonly topic: string;
  readonly contentType: string | null;
  readonly messageNo: number;
  /** Of topic and payload: the same message sent again adds nothing. */
  readonly digest: Buffer;
  /** On the first row of a message only. */
  readonly payload: Buffer | null;
}

/**
 * In the connection's open transaction. A row that is there already goes over to this transaction, so that a message
 * that was judged again can be told from what was refused before.
 */
export async function insertQuarantined(
  client: pg.ClientBase,
  rows: readonly NewQuarantined[],
): Promise<void> {
  if (rows.length === 0) return;
  // In one order for all, so that two transactions with the same message never wait for each other in a circle.
  const ordered = [...new Map(rows.map((row) => [keyOf(row), row])).entries()]
    .sort(([a], [b]) => (a < b ? -1 : 1))
    .map(([, row]) => row);
  const column = <T>(pick: (row: NewQuarantined) => T) => ordered.map(pick);
  await client.query(
    `insert into quarantine (received_at, company, site, device, reason, detail, record, records, topic, content_type,
       message_no, digest, payload)
     select * from unnest($1::timestamptz[], $2::text[], $3::text[], $4::text[], $5::text[], $6::text[], $7::text[],
       $8::integer[], $9::text[], $10::text[], $11::integer[], $12::bytea[], $13::bytea[])
     on conflict (digest, reason, record) where digest is not null do update set tx = excluded.tx,
       message_no = excluded.message_no, payload = excluded.payload, detail = excluded.detail, replay_at = null`,
    [
      column((row) => new Date(row.receivedAtMs)),
      column((row) => row.company),
      column((row) => row.site),
      column((row) => row.device),
      column((row) => row.reason),
      column((row) => row.detail),
      column((row) => row.record),
      column((row) => row.records),
      column((row) => row.topic),
      column((row) => row.contentType),
      column((row) => row.messageNo),
      column((row) => row.digest),
      column((row) => row.payload),
    ],
  );
}

function keyOf({ digest, reason, record }: NewQuarantined): string {
  return `${digest.toString('hex')} ${reason} ${record ?? ''}`;
}

/** Newest rows kept of each company, and bytes of payload: enough to find a fault, and never a full disk. */
const MOST_ROWS = 20_000;
const MOST_BYTES = 256 * 2 ** 20;

/** Drops a company's oldest rows beyond the bound, and counts them. @returns how many */
export async function trimQuarantine(pool: pg.Pool, company: string | null): Promise<number> {
  const found = await pool.query<{ dropped: number }>('select trim_quarantine($1, $2, $3) as dropped', [
    company ?? '',
    MOST_ROWS,
    MOST_BYTES,
  ]);
  return found.rows[0]?.dropped ?? 0;
}

/** A message that somebody asked to judge again. */
export interface ReplayedMessage {
  readonly id: number;
  readonly tx: number;
  readonly messageNo: number;
  readonly receivedAt: Date;
  readonly company: string | null;
  readonly topic: string;
  readonly contentType: string | null;
  readonly payload: Buffer;
}

/** The messages to judge again, oldest first; those that another worker has in hand are passed over for a while. */
export async function listReplayed(pool: pg.Pool, limit: number): Promise<ReplayedMessage[]> {
  const found = await pool.query<ReplayedMessage>(
    `with due as (
       select id from quarantine where replay_at <= now() order by id limit $1 for update skip locked
     ), taken as (
       update quarantine q set replay_at = now() + interval '1 minute' from due where q.id = due.id
       returning q.id, q.tx, q.message_no, q.received_at, q.company, q.topic, q.content_type
     )
     select t.id, t.tx, t.message_no as "messageNo", t.received_at as "receivedAt", t.company, t.topic,
       t.content_type as "contentType", p.payload
     from taken t join quarantine p on p.tx = t.tx and p.message_no = t.message_no and p.payload is not null
     order by t.id`,
    [limit],
  );
  return found.rows;
}

/** Takes out a message that was judged again. What was refused anew lies there under numbers of its own. */
export async function deleteReplayed(
  pool: pg.Pool,
  message: Pick<ReplayedMessage, 'tx' | 'messageNo'>,
): Promise<void> {
  await pool.query('delete from quarantine where tx = $1 and message_no = $2', [
    message.tx,
    message.messageNo,
  ]);
}
