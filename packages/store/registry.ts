// Who may publish what: the sites, devices and credentials as ingest sees them.

import { sql } from 'kysely';
import type { Database } from './connect.ts';

export interface RegisteredDevice {
  readonly company: string;
  readonly site: string;
  readonly device: string;
  readonly siteNo: number;
  readonly deviceNo: number;
}

/** What changed, and up to which transaction all that ever will has been read. */
export interface RegistryChanges {
  readonly devices: readonly (RegisteredDevice & { readonly deleted: boolean })[];
  readonly completeTx: number;
}

/** Devices of sites that were registered or changed after `sinceTx`; a deleted site's are marked so. */
export async function listRegisteredDevices(db: Database, sinceTx: number): Promise<RegistryChanges> {
  // Asked for first: transactions commit out of order, so what is newer than this is read again next time.
  const snapshot = await sql<{ tx: number }>`
    select pg_snapshot_xmin(pg_current_snapshot())::text::bigint - 1 as tx`.execute(db);
  const rows = await db
    .selectFrom('site')
    .leftJoin('device', 'device.site_no', 'site.no')
    .select(['site.company', 'site.id as site', 'site.no as siteNo', 'site.deleted_at'])
    .select(['device.id as device', 'device.no as deviceNo'])
    .where('site.tx', '>', sinceTx)
    .orderBy('site.tx')
    .execute();
  const devices = rows.map(({ deleted_at, device, deviceNo, ...row }) => ({
    ...row,
    device: device ?? '',
    deviceNo: deviceNo ?? 0,
    deleted: deleted_at !== null,
  }));
  return { devices, completeTx: snapshot.rows[0]?.tx ?? sinceTx };
}

/** What a connected client may publish: one device, or all of a company's sites. */
export interface PublishRight {
  readonly company: string;
  readonly secretSha256: Buffer;
  /** null for a gateway. */
  readonly site: string | null;
  readonly device: string | null;
}

/** The rights behind usernames; without those that do not exist, were revoked or whose site is deleted. */
export async function listPublishRights(
  db: Database,
  usernames: readonly string[],
): Promise<ReadonlyMap<string, PublishRight>> {
  const rows = await db
    .selectFrom('credential')
    .leftJoin('site', 'site.no', 'credential.site_no')
    .leftJoin('device', 'device.no', 'credential.device_no')
    .select(['credential.username', 'credential.company', 'credential.secret_sha256'])
    .select(['site.id as site', 'device.id as device'])
    .where(sql<boolean>`credential.username = any(${usernames})`)
    .where('credential.revoked_at', 'is', null)
    .where('site.deleted_at', 'is', null)
    .execute();
  return new Map(
    rows.map(({ username, secret_sha256, ...right }) => [
      username,
      { ...right, secretSha256: secret_sha256 },
    ]),
  );
}

/** Those of the usernames whose credential still stands. */
export async function listUsernamesInForce(db: Database, usernames: readonly string[]): Promise<string[]> {
  const rows = await db
    .selectFrom('credential')
    .leftJoin('site', 'site.no', 'credential.site_no')
    .select('credential.username')
    .where('credential.username', '=', sql<string>`any (${[...usernames]})`)
    .where('credential.revoked_at', 'is', null)
    .where('site.deleted_at', 'is', null)
    .execute();
  return rows.map((row) => row.username);
}
