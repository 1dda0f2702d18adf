// What the fleet's watch reads and writes: who falls silent across sites, and the one incident for all of them.

import { sql, type Transaction } from 'kysely';
import type { Window } from './committed.ts';
import type { Database } from './connect.ts';
import { EXPLAINED, type IncidentText, incidentId } from './incident-writes.ts';
import type { Tables } from './tables.ts';

/** A device-silent incident was raised or cleared at a site. */
export interface StoredSilence {
  readonly tx: number;
  readonly company: string;
  readonly site: string;
  readonly device: string;
  readonly silent: boolean;
  readonly sinceMs: number;
  readonly atMs: number;
}

export interface FleetSite {
  readonly company: string;
  readonly site: string;
  readonly region: string | null;
  readonly deleted: boolean;
}

export interface SavedFleetState {
  readonly company: string;
  readonly tx: number;
  readonly state: unknown;
}

/** Silences told in the window, in commit order; late ones are history and do not count. */
export async function listSilences(db: Database, { fromTx, toTx }: Window): Promise<StoredSilence[]> {
  const found = await sql<StoredSilence>`
    select t.tx, i.company, i.site, i.subject as device, t.type = 'raised' as silent,
      round(extract(epoch from case when t.type = 'raised' then i.onset_at else t.event_at end) * 1000)::float8 as "sinceMs",
      round(extract(epoch from t.event_at) * 1000)::float8 as "atMs"
    from incident_transition t join incident i on i.id = t.incident_id
    where t.tx > ${fromTx} and t.tx <= ${toTx} and t.type in ('raised', 'cleared')
      and i.kind = 'device-silent' and not i.late
      -- What detection said has a device time; what the fleet's watch said has none, and must not come back here.
      and t.event_at is not null
    order by t.tx, t.id`.execute(db);
  return found.rows;
}

/** Sites registered, changed or deleted in the window; from transaction 0 all there are. */
export async function listFleetSites(db: Database, { fromTx, toTx }: Window): Promise<FleetSite[]> {
  const found = await sql<FleetSite>`
    select company, id as site, region, deleted_at is not null as deleted from site
    where tx > ${fromTx} and tx <= ${toTx} and (deleted_at is null or ${fromTx}::bigint > 0) order by tx`.execute(
    db,
  );
  return found.rows;
}

export async function listFleetStates(db: Database): Promise<SavedFleetState[]> {
  return db.selectFrom('fleet_state').selectAll().execute();
}

export async function upsertFleetState(tx: Transaction<Tables>, saved: SavedFleetState): Promise<void> {
  const state = JSON.stringify(saved.state);
  await tx
    .insertInto('fleet_state')
    .values({ company: saved.company, tx: saved.tx, state })
    .onConflict((conflict) => conflict.column('company').doUpdateSet({ tx: saved.tx, state }))
    .execute();
}

/** Closes the silence of sites that one incident explains. */
export async function closeExplainedSilences(
  tx: Transaction<Tables>,
  company: string,
  sites: readonly string[],
): Promise<void> {
  if (sites.length === 0) return;
  const closed = await tx
    .updateTable('incident')
    .set({ state: 'cleared', cleared_at: sql`greatest(detected_at, now())`, cleared_why: EXPLAINED })
    .where('company', '=', company)
    .where('site', 'in', sites)
    .where('kind', '=', 'device-silent')
    .where('state', '=', 'active')
    .returning('id')
    .execute();
  await tellTransitions(tx, closed, 'cleared', EXPLAINED);
}

/** Lets the silence of sites stand for itself again, where it goes on after what explained it is over. */
export async function reopenExplainedSilences(
  tx: Transaction<Tables>,
  company: string,
  sites: readonly string[],
): Promise<void> {
  if (sites.length === 0) return;
  const reopened = await tx
    .updateTable('incident')
    .set({ state: 'active', cleared_at: null, cleared_why: null })
    .where('id', 'in', (eb) =>
      eb
        .selectFrom('incident as newest')
        .select('newest.id')
        .distinctOn(['newest.site', 'newest.subject'])
        .where('newest.company', '=', company)
        .where('newest.site', 'in', sites)
        .where('newest.kind', '=', 'device-silent')
        .orderBy('newest.site')
        .orderBy('newest.subject')
        .orderBy('newest.detected_at', 'desc'),
    )
    .where('cleared_why', '=', EXPLAINED)
    .returning('id')
    .execute();
  await tellTransitions(tx, reopened, 'raised', 'it goes on after the fleet-wide silence is over');
}

/** Raises or updates the incident of a region or broker. */
export async function upsertFleetIncident(
  tx: Transaction<Tables>,
  raised: {
    readonly company: string;
    readonly subject: string;
    readonly onsetMs: number;
    readonly detectedMs: number;
    readonly text: IncidentText;
  },
): Promise<void> {
  const { company, subject, detectedMs, text } = raised;
  const id = incidentId({ company, siteNo: null, kind: 'fleet-silence', subject, detectedMs });
  const columns = {
    headline: text.headline,
    facts: JSON.stringify(text.facts),
    evidence: JSON.stringify(text.evidence),
  };
  const inserted = await tx
    .insertInto('incident')
    .values({
      ...{ id, company, site: null, site_no: null, kind: 'fleet-silence', subject, state: 'active' },
      onset_at: new Date(raised.onsetMs),
      detected_at: new Date(detectedMs),
      late: false,
      ...{ priority: text.priority, confidence: text.confidence, chattering: text.chattering },
      ...{
        explanation: text.explanation,
        steps: [...text.steps],
        caution: text.caution,
        homeowner: text.homeowner,
      },
      ...columns,
    })
    .onConflict((conflict) => conflict.doNothing())
    .executeTakeFirst();
  if (inserted.numInsertedOrUpdatedRows === 1n) await tellTransitions(tx, [{ id }], 'raised', null);
  else await tx.updateTable('incident').set(columns).where('id', '=', id).execute();
}

export async function clearFleetIncident(
  tx: Transaction<Tables>,
  company: string,
  subject: string,
  detectedMs: number,
): Promise<void> {
  const id = incidentId({ company, siteNo: null, kind: 'fleet-silence', subject, detectedMs });
  const cleared = await tx
    .updateTable('incident')
    .set({ state: 'cleared', cleared_at: sql`now()`, cleared_why: 'returned to normal' })
    .where('id', '=', id)
    .where('state', '=', 'active')
    .returning('id')
    .execute();
  await tellTransitions(tx, cleared, 'cleared', 'returned to normal');
}

async function tellTransitions(
  tx: Transaction<Tables>,
  incidents: readonly { readonly id: string }[],
  type: 'raised' | 'cleared',
  note: string | null,
): Promise<void> {
  if (incidents.length === 0) return;
  await tx
    .insertInto('incident_transition')
    .values(incidents.map(({ id }) => ({ incident_id: id, type, by: 'detection', note })))
    .execute();
}
