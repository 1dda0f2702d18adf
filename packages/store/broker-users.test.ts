// Who may sign in to a broker, and for which sites.

import { siteSchema } from '@afterwatt/wire';
import { beforeEach, describe, expect, it } from 'vitest';
import { createTestDatabase } from '../../test/support/database.ts';
import { makeCredentials, registerSite } from '../../test/support/register.ts';
import { listBrokerUsers } from './broker-users.ts';

const database = await createTestDatabase();
const owner = database.connect();
const ingest = database.connect('afterwatt_ingest');
beforeEach(() => database.keepOnFailure());

const aSite = (id: string, company = 'default') =>
  siteSchema.parse({ id, company, name: id, timeZone: 'America/Denver' });
await owner.pool.query(`insert into company (id, name) values ('north', 'North')`);
const elm = await registerSite(owner, aSite('elm-1'));
await registerSite(owner, aSite('elm-2'));
const gone = await registerSite(owner, aSite('gone'));
await registerSite(owner, aSite('far-1', 'north'));
await owner.pool.query('update site set deleted_at = now() where no = $1', [gone]);

describe("a broker's users", () => {
  it("are devices with their site, and gateways with their company's sites; none revoked, none of a deleted site", async () => {
    const device = await makeCredentials(owner, { siteNo: elm, device: 'meter-1' });
    const gateway = await makeCredentials(owner);
    const revoked = await makeCredentials(owner);
    await makeCredentials(owner, { siteNo: gone, device: 'meter-1' });
    await owner.pool.query('update credential set revoked_at = now() where username = $1', [
      revoked.username,
    ]);
    const users = await listBrokerUsers(ingest.db);
    expect(users).toHaveLength(2);
    expect(users.find((user) => user.username === device.username)).toMatchObject({
      device: 'meter-1',
      sites: ['elm-1'],
    });
    expect(users.find((user) => user.username === gateway.username)).toMatchObject({
      device: null,
      sites: ['elm-1', 'elm-2'],
    });
  });
});
