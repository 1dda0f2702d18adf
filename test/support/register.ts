// Registers sites and credentials straight in the tables, as the API would.

import { createHash, randomBytes } from 'node:crypto';
import { brokerHash, type Connection } from '@afterwatt/store';
import { type SiteInput, siteSchema } from '@afterwatt/wire';

export async function registerSite({ pool }: Connection, input: SiteInput): Promise<number> {
  const site = siteSchema.parse(input);
  const inserted = await pool.query<{ no: number }>(
    'insert into site (id, company, name, region, config) values ($1, $2, $3, $4, $5) returning no',
    [site.id, site.company, site.name, site.region, JSON.stringify(site)],
  );
  const no = inserted.rows[0]?.no ?? 0;
  await pool.query(`insert into device (site_no, id, kind, period_s) values ($1, $2, 'meter', $3)`, [
    no,
    site.meter.device,
    site.meter.periodSeconds,
  ]);
  for (const battery of site.batteries) {
    await pool.query(`insert into device (site_no, id, kind, period_s) values ($1, $2, 'battery', $3)`, [
      no,
      battery.device,
      battery.periodSeconds,
    ]);
  }
  return no;
}

export interface TestCredentials {
  readonly username: string;
  readonly secret: string;
}

/** @param of a site and device, or nothing for a gateway of the default company */
export async function makeCredentials(
  { pool }: Connection,
  of?: { readonly siteNo: number; readonly device: string },
): Promise<TestCredentials> {
  const username = `test-${randomBytes(6).toString('hex')}`;
  const secret = randomBytes(16).toString('hex');
  await pool.query(
    `insert into credential (username, secret_sha256, broker_hash, company, site_no, device_no)
     values ($1, $2, $3, 'default', $4, (select no from device where site_no = $4 and id = $5))`,
    [
      username,
      createHash('sha256').update(secret).digest(),
      brokerHash(secret),
      of?.siteNo ?? null,
      of?.device ?? null,
    ],
  );
  return { username, secret };
}
