// The credentials in force as a broker needs them: who may sign in, and what each may publish for.

import { sql } from 'kysely';
import type { Database } from './connect.ts';

export interface BrokerUser {
  readonly username: string;
  /** See brokerHash; null for a credential made before there were any. */
  readonly hash: string | null;
  /** null for a gateway, which publishes for every device of its sites. */
  readonly device: string | null;
  /** A device's one site; a gateway's company's sites, in order. */
  readonly sites: readonly string[];
}

/** All of them, in order of user name. Devices of deleted sites are not among them. */
export async function listBrokerUsers(db: Database): Promise<BrokerUser[]> {
  const found = await sql<BrokerUser>`
    select c.username, c.broker_hash as hash, d.id as device, array[s.id] as sites
    from credential c join site s on s.no = c.site_no join device d on d.no = c.device_no
    where c.revoked_at is null and s.deleted_at is null
    union all
    select c.username, c.broker_hash, null,
      array(select s.id from site s where s.company = c.company and s.deleted_at is null order by s.id)
    from credential c where c.revoked_at is null and c.site_no is null
    order by username`.execute(db);
  return found.rows;
}
