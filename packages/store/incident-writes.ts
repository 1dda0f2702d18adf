// What detection says of incidents, written so that saying it twice changes nothing: an incident is named by
// company, site, kind, subject and the device time that decided it, a transition by its incident, type and
// device time.

import { createHash } from 'node:crypto';
import type { IncidentKind, Priority } from '@afterwatt/wire';
import { sql, type Transaction } from 'kysely';
import type { Database } from './connect.ts';
import type { StoredEvidence, Tables } from './tables.ts';

/** Channel on which the API hears that incidents changed. */
export const INCIDENT_CHANNEL = 'incident';

/** Why an incident is closed that another one explains. */
export const EXPLAINED = 'explained by another incident';

export interface IncidentName {
  readonly company: string;
  /** null for a fault of a region or broker. */
  readonly siteNo: number | null;
  readonly kind: IncidentKind;
  readonly subject: string;
  readonly detectedMs: number;
}

export interface IncidentText {
  readonly priority: Priority;
  readonly confidence: number;
  readonly chattering: boolean;
  readonly headline: string;
  readonly explanation: string;
  readonly steps: readonly string[];
  readonly caution: string | null;
  readonly homeowner: string | null;
  readonly facts: Readonly<Record<string, unknown>>;
  readonly evidence: StoredEvidence;
}

export interface RaisedIncident {
  readonly name: IncidentName;
  readonly site: string | null;
  readonly onsetMs: number;
  readonly late: boolean;
  readonly text: IncidentText;
}

/** @returns false when the incident was there already, or one of the same kind and subject stands */
export async function insertIncident(tx: Transaction<Tables>, raised: RaisedIncident): Promise<boolean> {
  const { name, text } = raised;
  const inserted = await tx
    .insertInto('incident')
    .values({
      id: incidentId(name),
      company: name.company,
      site: raised.site,
      site_no: name.siteNo,
      kind: name.kind,
      subject: name.subject,
      state: 'active',
      onset_at: new Date(raised.onsetMs),
      detected_at: new Date(name.detectedMs),
      late: raised.late,
      ...columnsOf(text),
    })
    .onConflict((conflict) => conflict.doNothing())
    .executeTakeFirst();
  if (inserted.numInsertedOrUpdatedRows !== 1n) return false;
  await insertTransition(tx, name, 'raised', name.detectedMs, null);
  return true;
}

/** Brings a standing incident up to date. */
export async function updateIncident(
  tx: Transaction<Tables>,
  name: IncidentName,
  atMs: number,
  text: IncidentText,
): Promise<void> {
  const updated = await tx
    .updateTable('incident')
    .set(columnsOf(text))
    .where('id', '=', incidentId(name))
    .where('state', '=', 'active')
    .executeTakeFirst();
  if (updated.numUpdatedRows === 1n) await insertTransition(tx, name, 'updated', atMs, null);
}

/** @param text the last evidence, or null to leave what stands */
export async function clearIncident(
  tx: Transaction<Tables>,
  name: IncidentName,
  atMs: number,
  why: string,
  text: IncidentText | null,
): Promise<void> {
  const cleared = await tx
    .updateTable('incident')
    .set({
      state: 'cleared',
      cleared_at: new Date(Math.max(atMs, name.detectedMs)),
      cleared_why: why,
      ...(text === null
        ? {}
        : { facts: JSON.stringify(text.facts), evidence: JSON.stringify(text.evidence) }),
    })
    .where('id', '=', incidentId(name))
    // The fleet's watch may have closed it as explained: that the fault itself is gone is told all the same.
    .where((eb) => eb.or([eb('state', '=', 'active'), eb('cleared_why', '=', EXPLAINED)]))
    .executeTakeFirst();
  if (cleared.numUpdatedRows === 1n) await insertTransition(tx, name, 'cleared', atMs, why);
}

/** Tells the API's streams, once the transaction commits. */
export async function notifyIncidents(tx: Transaction<Tables>): Promise<void> {
  await sql`select pg_notify(${INCIDENT_CHANNEL}, '')`.execute(tx);
}

export interface StandingIncident {
  readonly siteNo: number;
  readonly company: string;
  readonly kind: IncidentKind;
  readonly subject: string;
  readonly detectedMs: number;
  readonly onsetMs: number;
}

/** Incidents that stand at the given sites. */
export async function listStandingIncidents(
  db: Database,
  siteNos: readonly number[],
): Promise<StandingIncident[]> {
  const found = await sql<StandingIncident>`
    select site_no as "siteNo", company, kind, subject, round(extract(epoch from detected_at) * 1000)::float8 as "detectedMs",
      round(extract(epoch from onset_at) * 1000)::float8 as "onsetMs"
    from incident where state = 'active' and site_no = any (${[...siteNos]})`.execute(db);
  return found.rows;
}

/** True when an incident of this kind and subject already covers part of [fromMs, toMs]. */
export async function isCovered(
  tx: Transaction<Tables>,
  name: IncidentName,
  fromMs: number,
  toMs: number,
): Promise<boolean> {
  const found = await tx
    .selectFrom('incident')
    .select('id')
    .where('site_no', '=', name.siteNo)
    .where('kind', '=', name.kind)
    .where('subject', '=', name.subject)
    .where('onset_at', '<=', new Date(toMs))
    .where((eb) => eb.or([eb('cleared_at', 'is', null), eb('cleared_at', '>=', new Date(fromMs))]))
    .limit(1)
    .executeTakeFirst();
  return found !== undefined;
}

/** A version 8 UUID (RFC 9562 section 5.8) made from the incident's name, so that a replay names it the same. */
export function incidentId(name: IncidentName): string {
  // A site may go over to another company while an incident stands there: its number alone names it.
  const owner = name.siteNo ?? name.company;
  const text = JSON.stringify([owner, name.kind, name.subject, name.detectedMs]);
  const bytes = createHash('sha256').update(text).digest().subarray(0, 16);
  bytes.writeUInt8((bytes.readUInt8(6) & 0x0f) | 0x80, 6);
  bytes.writeUInt8((bytes.readUInt8(8) & 0x3f) | 0x80, 8);
  const hex = bytes.toString('hex');
  return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20)].join('-');
}

function columnsOf(text: IncidentText) {
  return {
    priority: text.priority,
    confidence: text.confidence,
    chattering: text.chattering,
    headline: text.headline,
    explanation: text.explanation,
    steps: [...text.steps],
    caution: text.caution,
    homeowner: text.homeowner,
    facts: JSON.stringify(text.facts),
    evidence: JSON.stringify(text.evidence),
  };
}

async function insertTransition(
  tx: Transaction<Tables>,
  name: IncidentName,
  type: 'raised' | 'updated' | 'cleared',
  atMs: number,
  note: string | null,
): Promise<void> {
  await tx
    .insertInto('incident_transition')
    .values({ incident_id: incidentId(name), type, event_at: new Date(atMs), by: 'detection', note })
    .onConflict((conflict) => conflict.doNothing())
    .execute();
}
