// What people do with an incident. Each says who did it and when, and tells the streams.

import { sql, type Transaction } from 'kysely';
import { notifyIncidents } from './incident-writes.ts';
import type { Tables } from './tables.ts';

type Tx = Transaction<Tables>;

/** Who acts, under the name that the history shows, and what they say. */
export interface Response {
  readonly by: string;
  readonly note: string | null;
}

export interface LockedIncident {
  readonly id: string;
  readonly state: 'active' | 'cleared';
  readonly acknowledgedAt: Date | null;
  readonly shelvedUntil: Date | null;
}

/** Finds an incident that the caller may change, and keeps others from it until the transaction ends. */
export function lockIncident(tx: Tx, id: string): Promise<LockedIncident | undefined> {
  return tx
    .selectFrom('incident')
    .select(['id', 'state', 'acknowledged_at as acknowledgedAt', 'shelved_until as shelvedUntil'])
    .where('id', '=', id)
    .forUpdate()
    .executeTakeFirst();
}

/** Somebody has seen it. The first who says so stands. */
export async function acknowledgeIncident(
  tx: Tx,
  incident: LockedIncident,
  response: Response,
): Promise<void> {
  if (incident.acknowledgedAt !== null) return;
  await tx
    .updateTable('incident')
    .set({ acknowledged_at: sql`now()`, acknowledged_by: response.by })
    .where('id', '=', incident.id)
    .execute();
  await insertResponse(tx, incident.id, 'acknowledged', response);
}

/** Puts it aside until an instant (ISA-18.2: shelved). */
export async function shelveIncident(
  tx: Tx,
  incident: LockedIncident,
  until: Date,
  response: Response,
): Promise<void> {
  await tx.updateTable('incident').set({ shelved_until: until }).where('id', '=', incident.id).execute();
  await insertResponse(tx, incident.id, 'shelved', response);
}

/** Takes it off the shelf; one that lies on none is left as it is. */
export async function unshelveIncident(tx: Tx, incident: LockedIncident, response: Response): Promise<void> {
  if (incident.shelvedUntil === null) return;
  await tx.updateTable('incident').set({ shelved_until: null }).where('id', '=', incident.id).execute();
  await insertResponse(tx, incident.id, 'unshelved', response);
}

export async function noteOnIncident(tx: Tx, incident: LockedIncident, response: Response): Promise<void> {
  await insertResponse(tx, incident.id, 'note', response);
}

/** Somebody says that the fault is mended: the rules end the incident and gather evidence anew. */
export async function markIncidentMended(
  tx: Tx,
  incident: LockedIncident,
  response: Response,
): Promise<void> {
  await insertResponse(tx, incident.id, 'mended', response);
}

/**
 * Takes off the shelf what has lain there for its time. Several processes may do it at once: each incident is
 * taken by one of them.
 * @returns how many
 */
export async function unshelveExpired(tx: Tx): Promise<number> {
  const expired = await sql`
    with expired as (
      select id, shelved_until from incident where shelved_until <= now() limit 1000 for update skip locked
    ), unshelved as (
      update incident set shelved_until = null from expired where incident.id = expired.id
      returning incident.id, expired.shelved_until
    )
    insert into incident_transition (incident_id, type, by, note)
    select id, 'unshelved', 'time', 'its time on the shelf was over' from unshelved`.execute(tx);
  const count = Number(expired.numAffectedRows ?? 0n);
  if (count > 0) await notifyIncidents(tx);
  return count;
}

async function insertResponse(
  tx: Tx,
  incidentId: string,
  type: 'acknowledged' | 'shelved' | 'unshelved' | 'note' | 'mended',
  { by, note }: Response,
): Promise<void> {
  await tx.insertInto('incident_transition').values({ incident_id: incidentId, type, by, note }).execute();
  await notifyIncidents(tx);
}
