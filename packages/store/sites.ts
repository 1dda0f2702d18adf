// Sites and their devices, as the API registers, changes and lists them.

import type { Site } from '@afterwatt/wire';
import { sql, type Transaction } from 'kysely';
import { openSite } from './as-caller.ts';
import { BINS } from './roll-up-sql.ts';
import type { DeviceTable, SiteTable, Tables } from './tables.ts';

type Tx = Transaction<Tables>;

export interface StoredSite {
  readonly no: number;
  readonly site: Site;
  readonly createdAt: Date;
  readonly updatedAt: Date;
}

export interface StoredDevice {
  readonly no: number;
  readonly id: string;
  readonly kind: DeviceTable['kind'];
}

/** A device with what was last heard of it. */
export interface HeardDevice extends StoredDevice {
  readonly lastReadingAt: Date | null;
  readonly online: boolean | null;
  readonly firmware: string | null;
}

export interface SiteFilter {
  readonly companies: readonly string[];
  readonly regions: readonly string[];
  /** All of them must stand in the site's name or id. */
  readonly words: readonly string[];
  /** Ids after this one. */
  readonly afterId: string | undefined;
  readonly limit: number;
}

const STORED = ['no', 'config as site', 'created_at as createdAt', 'updated_at as updatedAt'] as const;

/** @returns the site's number, or undefined when the id is taken, by whichever company */
export async function insertSite(tx: Tx, site: Site): Promise<number | undefined> {
  const inserted = await tx
    .insertInto('site')
    .values({ id: site.id, ...columnsOf(site) })
    .onConflict((conflict) => conflict.column('id').where('deleted_at', 'is', null).doNothing())
    .returning('no')
    .executeTakeFirst();
  if (inserted === undefined) return undefined;
  await syncDevices(tx, inserted.no, site);
  return inserted.no;
}

export function findSite(tx: Tx, id: string): Promise<StoredSite | undefined> {
  return siteById(tx, id).executeTakeFirst();
}

/** Finds a site and keeps others from changing it until the transaction ends. */
export function lockSite(tx: Tx, id: string): Promise<StoredSite | undefined> {
  return siteById(tx, id).forUpdate().executeTakeFirst();
}

/** Sites in order of id. */
export async function listSites(tx: Tx, filter: SiteFilter): Promise<StoredSite[]> {
  let query = tx.selectFrom('site').select(STORED).where('deleted_at', 'is', null);
  if (filter.companies.length > 0) query = query.where('company', 'in', filter.companies);
  if (filter.regions.length > 0) query = query.where('region', 'in', filter.regions);
  for (const word of filter.words) {
    query = query.where(sql<string>`id || ' ' || name`, 'ilike', containing(word));
  }
  if (filter.afterId !== undefined) query = query.where('id', '>', filter.afterId);
  return query.orderBy('id').limit(filter.limit).execute();
}

/** Writes a changed registration; the site's id stays. A new company takes the site's past along. */
export async function updateSite(tx: Tx, no: number, site: Site): Promise<void> {
  await tx
    .updateTable('site')
    .set({ ...columnsOf(site), updated_at: sql`now()`, tx: sql`current_tx()` })
    .where('no', '=', no)
    .execute();
  await tx
    .updateTable('credential')
    .set({ company: site.company })
    .where('site_no', '=', no)
    .where('company', '<>', site.company)
    .execute();
  await tx
    .updateTable('incident')
    .set({ company: site.company })
    .where('site_no', '=', no)
    .where('company', '<>', site.company)
    .execute();
  await syncDevices(tx, no, site);
}

/**
 * Takes a site away with all that is known of it: readings, states, incidents, what lies in quarantine. Its
 * credentials end, and no homeowner's token names it any longer, so that whoever registers the same id later
 * shares nothing with it. The row itself stays for the rules, which learn from it to stop watching.
 */
export async function markSiteDeleted(tx: Tx, { no, site }: StoredSite): Promise<void> {
  // 35 days of a meter and two batteries are more than a million rows.
  await sql`set local statement_timeout = '5min'`.execute(tx);
  await openSite(tx, no);
  // Packed ones first: who opens an hour of them has then done so, and nobody packs one until this is over.
  await tx.deleteFrom('meter_packed').where('site_no', '=', no).execute();
  await tx.deleteFrom('battery_packed').where('site_no', '=', no).execute();
  await tx.deleteFrom('meter_reading').where('site_no', '=', no).execute();
  await tx.deleteFrom('battery_reading').where('site_no', '=', no).execute();
  for (const kind of ['meter', 'battery'] as const) {
    for (const bin of BINS) await tx.deleteFrom(`${kind}_${bin}`).where('site_no', '=', no).execute();
  }
  await tx.deleteFrom('rollup_due').where('site_no', '=', no).execute();
  await tx.deleteFrom('device_state').where('site_no', '=', no).execute();
  await tx.deleteFrom('detector_state').where('site_no', '=', no).execute();
  await tx.deleteFrom('incident').where('site_no', '=', no).execute();
  await tx.deleteFrom('quarantine').where('site', '=', site.id).where('company', '=', site.company).execute();
  await tx
    .updateTable('credential')
    .set({ revoked_at: sql`now()` })
    .where('site_no', '=', no)
    .where('revoked_at', 'is', null)
    .execute();
  await sql`update api_token set sites = array_remove(sites, ${site.id}) where ${site.id} = any (sites)`.execute(
    tx,
  );
  await tx
    .updateTable('site')
    .set({ deleted_at: sql`now()`, updated_at: sql`now()`, tx: sql`current_tx()` })
    .where('no', '=', no)
    .execute();
}

/** Registers a company that nobody has named before. */
export async function ensureCompany(tx: Tx, id: string): Promise<void> {
  await tx
    .insertInto('company')
    .values({ id, name: id })
    .onConflict((conflict) => conflict.doNothing())
    .execute();
}

/** The devices of a site, those that it no longer has among them: their readings are still there. */
export function listDevices(tx: Tx, siteNo: number): Promise<StoredDevice[]> {
  return tx
    .selectFrom('device')
    .select(['no', 'id', 'kind'])
    .where('site_no', '=', siteNo)
    .orderBy('id')
    .execute();
}

/** The site must be open (`openSite`). */
export async function listHeardDevices(tx: Tx, siteNo: number): Promise<HeardDevice[]> {
  const found = await sql<HeardDevice>`
    select no, id, kind,
      case kind when 'meter' then ${lastAt('meter')} else ${lastAt('battery')} end as "lastReadingAt",
      (select online from device_state where site_no = d.site_no and device_no = d.no and online is not null
        order by received_at desc limit 1) as online,
      (select firmware from device_state where site_no = d.site_no and device_no = d.no and firmware is not null
        order by received_at desc limit 1) as firmware
    from device d where site_no = ${siteNo} order by id`.execute(tx);
  return found.rows;
}

/** Of device `d`. Times are in order within a packed hour. */
function lastAt(kind: DeviceTable['kind']) {
  const ofDevice = 'site_no = d.site_no and device_no = d.no';
  return sql.raw(`greatest(
    (select max(at) from ${kind}_reading where ${ofDevice}),
    (select times[cardinality(times)] from ${kind}_packed where ${ofDevice} order by at desc limit 1))`);
}

/** A LIKE pattern for texts that hold the word, whatever signs stand in it. */
export function containing(word: string): string {
  return `%${word.replace(/[\\%_]/g, '\\$&')}%`;
}

function siteById(tx: Tx, id: string) {
  return tx.selectFrom('site').select(STORED).where('id', '=', id).where('deleted_at', 'is', null);
}

function columnsOf(site: Site) {
  return {
    company: site.company,
    name: site.name,
    region: site.region,
    config: JSON.stringify(site),
  } satisfies Partial<Record<keyof SiteTable, unknown>>;
}

/** A device that the site no longer has keeps its row, on which its readings hang, but may not publish again. */
async function syncDevices(tx: Tx, siteNo: number, site: Site): Promise<void> {
  const devices = [
    { site_no: siteNo, id: site.meter.device, kind: 'meter' as const, period_s: site.meter.periodSeconds },
    ...site.batteries.map(({ device, periodSeconds }) => ({
      ...{ site_no: siteNo, id: device, kind: 'battery' as const, period_s: periodSeconds },
    })),
  ];
  await tx
    .insertInto('device')
    .values(devices)
    .onConflict((conflict) =>
      conflict.columns(['site_no', 'id']).doUpdateSet({
        kind: sql<DeviceTable['kind']>`excluded.kind`,
        period_s: sql<number>`excluded.period_s`,
      }),
    )
    .execute();
  await sql`update credential set revoked_at = now()
    from device d
    where d.no = credential.device_no and credential.site_no = ${siteNo} and credential.revoked_at is null
      and d.id <> all (${devices.map(({ id }) => id)})`.execute(tx);
}
