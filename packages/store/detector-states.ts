import type { Transaction } from 'kysely';
import type { Tables } from './tables.ts';

/** The last checkpoint of an opened site's detectors; undefined before the first. */
export async function findDetectorState(
  tx: Transaction<Tables>,
  siteNo: number,
): Promise<{ readonly state: unknown; readonly savedAt: Date } | undefined> {
  return tx
    .selectFrom('detector_state')
    .select(['state', 'saved_at as savedAt'])
    .where('site_no', '=', siteNo)
    .executeTakeFirst();
}
