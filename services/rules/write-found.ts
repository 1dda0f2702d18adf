// Writes what detection found, inside the transaction that also moves the cursor.

import {
  clearIncident,
  type IncidentName,
  insertIncident,
  isCovered,
  notifyIncidents,
  type Tables,
  updateIncident,
} from '@afterwatt/store';
import type { Site } from '@afterwatt/wire';
import type { Transaction } from 'kysely';
import { incidentText } from './incident-text.ts';
import type { Found } from './site-watch.ts';

/** Raised so long after it was decided, in device time, an incident is late: it is history, nobody is notified. */
const LATE_MS = 10 * 60_000;

export interface FoundAtSite extends Found {
  readonly siteNo: number;
  readonly site: Site;
  /** The ingest's clock when it was found. */
  readonly clockMs: number;
}

export async function writeFound(tx: Transaction<Tables>, found: readonly FoundAtSite[]): Promise<void> {
  // An incident found apart is skipped as a whole when one already covers its time.
  const skipped = new Set<string>();
  for (const one of found) {
    const { transition } = one;
    const name: IncidentName = {
      company: one.site.company,
      siteNo: one.siteNo,
      kind: transition.kind,
      subject: transition.subject,
      detectedMs: transition.detectedMs,
    };
    switch (transition.type) {
      case 'raised': {
        if (one.apart && (await isCovered(tx, name, transition.onsetMs, lastApartMs(found, name)))) {
          skipped.add(JSON.stringify(name));
          break;
        }
        await insertIncident(tx, {
          name,
          site: one.site.id,
          onsetMs: transition.onsetMs,
          late: one.apart || one.clockMs - transition.detectedMs > LATE_MS,
          text: incidentText(transition.finding),
        });
        break;
      }
      case 'updated':
        if (!skipped.has(JSON.stringify(name))) {
          await updateIncident(tx, name, transition.atMs, incidentText(transition.finding));
        }
        break;
      case 'cleared':
        if (!skipped.has(JSON.stringify(name))) {
          const last = transition.last === null ? null : incidentText(transition.last);
          await clearIncident(tx, name, transition.atMs, transition.why, last);
        }
        break;
    }
  }
  if (found.length > 0) await notifyIncidents(tx);
}

/** When the incident of this name ended, among what was found apart. */
function lastApartMs(found: readonly FoundAtSite[], name: IncidentName): number {
  const end = found.find(
    ({ siteNo, transition }) =>
      siteNo === name.siteNo &&
      transition.type === 'cleared' &&
      transition.kind === name.kind &&
      transition.subject === name.subject &&
      transition.detectedMs === name.detectedMs,
  );
  return end?.transition.atMs ?? name.detectedMs;
}
