// The CAP messages in force. A message never changes, so each is read from the database and parsed once.

import { type Database, listAlertDocuments, listRecentAlertIds } from '@afterwatt/store';
import { alertsInForce, type CapAlert, parseCap } from '@afterwatt/storm';

/** A day of alerts of a whole country are some thousands. */
const MOST_MESSAGES = 20_000;

export interface StoredAlert {
  readonly id: number;
  readonly receivedAt: Date;
  readonly alert: CapAlert;
}

/** @returns what tells the alerts in force now, in the order they were sent */
export function rememberAlerts(db: Database): () => Promise<StoredAlert[]> {
  let known = new Map<number, StoredAlert>();

  return async () => {
    const ids = await listRecentAlertIds(db, MOST_MESSAGES);
    const unknown = ids.filter((id) => !known.has(id));
    const fresh = unknown.length === 0 ? [] : await listAlertDocuments(db, unknown);
    const parsed = new Map(fresh.flatMap((row) => parseRow(row)).map((stored) => [stored.id, stored]));
    const recent = ids.flatMap((id) => known.get(id) ?? parsed.get(id) ?? []);
    known = new Map(recent.map((stored) => [stored.id, stored]));

    const byAlert = new Map(recent.map((stored) => [stored.alert, stored]));
    return alertsInForce([...byAlert.keys()], Date.now()).flatMap((alert) => byAlert.get(alert) ?? []);
  };
}

/** What the program took in it can read, unless a newer one has become stricter: then it no longer counts. */
function parseRow(row: { id: number; receivedAt: Date; document: string }): StoredAlert[] {
  const { id, receivedAt, document } = row;
  const parsed = parseCap(document);
  return parsed.ok ? [{ id, receivedAt, alert: parsed.alert }] : [];
}
