// What devices and gateways sign in with over MQTT. The secret itself is never stored.

import { sql, type Transaction } from 'kysely';
import type { Tables } from './tables.ts';

type Tx = Transaction<Tables>;

export interface NewCredential {
  readonly username: string;
  readonly secretSha256: Buffer;
  /** The same secret for a broker's password file: see brokerHash. */
  readonly brokerHash: string;
  readonly company: string;
  /** null for a gateway, which may publish for all sites of its company. */
  readonly device: { readonly siteNo: number; readonly deviceNo: number } | null;
}

export interface StoredCredential {
  readonly username: string;
  /** null for a gateway. */
  readonly device: string | null;
  readonly company: string;
  readonly createdAt: Date;
}

/** Whose credentials are meant: one site's devices, or the gateways of the companies that the caller may see. */
export type CredentialScope = { readonly siteNo: number } | 'gateways';

export async function insertCredential(tx: Tx, credential: NewCredential): Promise<void> {
  await tx
    .insertInto('credential')
    .values({
      username: credential.username,
      secret_sha256: credential.secretSha256,
      broker_hash: credential.brokerHash,
      company: credential.company,
      site_no: credential.device?.siteNo ?? null,
      device_no: credential.device?.deviceNo ?? null,
    })
    .execute();
}

/** Credentials in force, in order of user name; at most `limit` after `afterUsername`. */
export function listCredentials(
  tx: Tx,
  scope: CredentialScope,
  page: { readonly afterUsername: string | undefined; readonly limit: number },
): Promise<StoredCredential[]> {
  let query = tx
    .selectFrom('credential')
    .leftJoin('device', 'device.no', 'credential.device_no')
    .select(['username', 'device.id as device', 'company', 'credential.created_at as createdAt'])
    .where('revoked_at', 'is', null)
    .where(isIn(scope));
  if (page.afterUsername !== undefined) query = query.where('username', '>', page.afterUsername);
  return query.orderBy('username').limit(page.limit).execute();
}

/** @returns false when there is none of that name in force */
export async function markCredentialRevoked(
  tx: Tx,
  scope: CredentialScope,
  username: string,
): Promise<boolean> {
  const revoked = await tx
    .updateTable('credential')
    .set({ revoked_at: sql`now()` })
    .where('username', '=', username)
    .where(isIn(scope))
    .where('revoked_at', 'is', null)
    .executeTakeFirst();
  return revoked.numUpdatedRows === 1n;
}

function isIn(scope: CredentialScope) {
  return scope === 'gateways'
    ? sql<boolean>`credential.site_no is null`
    : sql<boolean>`credential.site_no = ${scope.siteNo}`;
}
