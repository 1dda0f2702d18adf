// Incidents as people look for them.

import { INCIDENT_KINDS, type Priority } from '@afterwatt/wire';
import { type ExpressionBuilder, type Selectable, sql, type Transaction } from 'kysely';
import { containing } from './sites.ts';
import type { IncidentTable, IncidentTransitionTable, Tables } from './tables.ts';

type Tx = Transaction<Tables>;
type Where = ExpressionBuilder<Tables, 'incident'>;

/** One entry of an incident's history. */
export type StoredTransition = Pick<
  Selectable<IncidentTransitionTable>,
  'id' | 'type' | 'at' | 'event_at' | 'by' | 'note'
>;

export type StoredIncident = Selectable<IncidentTable> & {
  /** `raised_at` in microseconds since the Unix epoch: a Date would round what the order of the list rests on. */
  readonly raisedUs: number;
  readonly siteName: string | null;
  readonly history: readonly StoredTransition[];
};

/** A place in the list of incidents. */
export interface IncidentPlace {
  readonly raisedUs: number;
  readonly id: string;
}

export interface IncidentFilter {
  /** Empty = any, here and below. */
  readonly sites: readonly string[];
  readonly kinds: readonly string[];
  readonly states: readonly ('active' | 'cleared')[];
  readonly priorities: readonly Priority[];
  /** Decided at or after, device time. */
  readonly from: Date | undefined;
  /** Decided before, device time. */
  readonly to: Date | undefined;
  /** All of them must stand in what the reader may read. */
  readonly words: readonly string[];
  readonly after: IncidentPlace | undefined;
  readonly limit: number;
}

/**
 * Who reads. A homeowner reads one sentence, of those incidents only that have one and have stood as long as
 * their kind must stand before homeowners are told.
 */
export type IncidentReader = 'staff' | 'homeowner';

/** Newest first, by when they were raised. */
export async function listIncidents(
  tx: Tx,
  filter: IncidentFilter,
  reader: IncidentReader,
): Promise<StoredIncident[]> {
  let query = incidentsFor(tx, reader);
  if (filter.sites.length > 0) {
    // By number, which is what the index goes by.
    const { sites } = filter;
    query = query.where('site_no', 'in', (site) =>
      site.selectFrom('site').select('no').where('id', 'in', sites).where('deleted_at', 'is', null),
    );
  }
  if (filter.kinds.length > 0) query = query.where('kind', 'in', filter.kinds);
  if (filter.states.length > 0) query = query.where('state', 'in', filter.states);
  if (filter.priorities.length > 0) query = query.where('priority', 'in', filter.priorities);
  if (filter.from !== undefined) query = query.where('detected_at', '>=', filter.from);
  if (filter.to !== undefined) query = query.where('detected_at', '<', filter.to);
  for (const word of filter.words) query = query.where(tells(reader, containing(word)));
  if (filter.after !== undefined) query = query.where(isAfter(filter.after));
  const incidents = await query.orderBy('raised_at', 'desc').orderBy('id').limit(filter.limit).execute();
  return withHistory(tx, incidents);
}

export async function findIncident(
  tx: Tx,
  id: string,
  reader: IncidentReader,
): Promise<StoredIncident | undefined> {
  return (await listIncidentsById(tx, [id], reader))[0];
}

/** Those of the incidents that exist for the reader. */
export async function listIncidentsById(
  tx: Tx,
  ids: readonly string[],
  reader: IncidentReader,
): Promise<StoredIncident[]> {
  if (ids.length === 0) return [];
  const incidents = await incidentsFor(tx, reader).where('id', 'in', ids).execute();
  return withHistory(tx, incidents);
}

function incidentsFor(tx: Tx, reader: IncidentReader) {
  const query = tx
    .selectFrom('incident')
    .selectAll()
    .select([
      sql<number>`(extract(epoch from raised_at) * 1000000)::bigint`.as('raisedUs'),
      sql<string | null>`(select name from site where no = site_no)`.as('siteName'),
    ]);
  return reader === 'staff' ? query : query.where(isTold);
}

/** Kinds of which homeowners are told only when the incident has stood for a while. */
const TOLD_LATER = Object.entries(INCIDENT_KINDS)
  .map(([kind, { homeownerDelayMs }]) => ({ kind, delayMs: homeownerDelayMs ?? 0 }))
  .filter(({ delayMs }) => delayMs > 0);

function isTold(eb: Where) {
  return eb.and([
    eb('homeowner', 'is not', null),
    ...TOLD_LATER.map(({ kind, delayMs }) =>
      eb.or([
        eb('kind', '<>', kind),
        sql<boolean>`coalesce(cleared_at, now()) - onset_at >= make_interval(secs => ${delayMs / 1000})`,
      ]),
    ),
  ]);
}

/** A word stands in what the reader may read of an incident: its text, its site's id or name, its notes. */
function tells(reader: IncidentReader, pattern: string) {
  return (eb: Where) =>
    eb.or([
      eb(readable(reader), 'ilike', pattern),
      eb('site_no', 'in', eb.selectFrom('site').select('no').where('name', 'ilike', pattern)),
      ...(reader === 'homeowner'
        ? []
        : [
            eb(
              'id',
              'in',
              eb.selectFrom('incident_transition').select('incident_id').where('note', 'ilike', pattern),
            ),
          ]),
    ]);
}

function readable(reader: IncidentReader) {
  return reader === 'homeowner'
    ? sql<string>`concat_ws(' ', site, homeowner)`
    : sql<string>`concat_ws(' ', site, kind, subject, headline, explanation)`;
}

/** The list's order, as the index `incident_newest` has it: newest first, then by id. */
function isAfter({ raisedUs, id }: IncidentPlace) {
  const raised = sql`to_timestamp(${raisedUs}::float8 / 1000000)`;
  return sql<boolean>`raised_at <= ${raised} and (raised_at < ${raised} or id > ${id})`;
}

async function withHistory<T extends { id: string }>(
  tx: Tx,
  incidents: readonly T[],
): Promise<(T & { history: StoredTransition[] })[]> {
  if (incidents.length === 0) return [];
  const transitions = await tx
    .selectFrom('incident_transition')
    .select(['id', 'incident_id', 'type', 'at', 'event_at', 'by', 'note'])
    .where(
      'incident_id',
      'in',
      incidents.map(({ id }) => id),
    )
    .orderBy('id')
    .execute();
  const histories = new Map<string, StoredTransition[]>(incidents.map(({ id }) => [id, []]));
  for (const { incident_id, ...transition } of transitions) histories.get(incident_id)?.push(transition);
  return incidents.map((incident) => ({ ...incident, history: histories.get(incident.id) ?? [] }));
}
