// What devices and gateways sign in with.

import { createHash } from 'node:crypto';
import { sql } from 'kysely';
import { beforeEach, describe, expect, it } from 'vitest';
import { aSite, callerOf, operatorOf, startTestApi } from './test-support.ts';

const api = await startTestApi();
const operator = operatorOf(api);
const installer = await callerOf(api, { role: 'installer', company: 'north' });
beforeEach(() => api.database.keepOnFailure());
await installer.post('/v1/sites', aSite({ id: 'elm-1' }));

interface Row {
  secret_sha256: Buffer;
  company: string;
  site: string | null;
  device: string | null;
  revoked: boolean;
}

const rowOf = async (username: string): Promise<Row | undefined> => {
  const found =
    await sql<Row>`select secret_sha256, c.company, s.id as site, d.id as device, revoked_at is not null as revoked
    from credential c left join site s on s.no = c.site_no left join device d on d.no = c.device_no
    where username = ${username}`.execute(api.owner);
  return found.rows[0];
};

describe("a device's credential", () => {
  it('is shown once, and stored as the SHA-256 of 32 random bytes in base64url', async () => {
    const { status, body } = await installer.post('/v1/sites/elm-1/device-credentials', {
      device: 'battery-1',
    });
    expect(status).toBe(201);
    expect(Object.keys(body).sort()).toEqual(['secret', 'username']);
    expect(Buffer.from(body.secret, 'base64url')).toHaveLength(32);
    const secretSha256 = createHash('sha256').update(body.secret).digest();
    expect(await rowOf(body.username)).toEqual({
      ...{
        secret_sha256: secretSha256,
        company: 'north',
        site: 'elm-1',
        device: 'battery-1',
        revoked: false,
      },
    });
    const listed = await installer.get('/v1/sites/elm-1/device-credentials');
    expect(listed.text).not.toContain(body.secret);
    expect(listed.body.items).toMatchObject([{ username: body.username, device: 'battery-1' }]);
  });

  it('can be renewed without a gap, and the old one revoked', async () => {
    const make = () => installer.post('/v1/sites/elm-1/device-credentials', { device: 'meter-1' });
    const [before, after] = [await make(), await make()];
    expect(before.body.username).not.toBe(after.body.username);
    const url = `/v1/sites/elm-1/device-credentials/${before.body.username}`;
    expect((await installer.delete(url)).status).toBe(204);
    expect((await installer.delete(url)).status).toBe(404);
    expect((await rowOf(before.body.username))?.revoked).toBe(true);
    expect((await rowOf(after.body.username))?.revoked).toBe(false);
  });

  it('is for a device that the site has', async () => {
    const { status, body } = await installer.post('/v1/sites/elm-1/device-credentials', {
      device: 'battery-2',
    });
    expect(status).toBe(422);
    expect(body.errors).toEqual([
      {
        in: 'body',
        pointer: '#/device',
        detail: 'device is "battery-2": must be a device of this site, meter-1, battery-1',
      },
    ]);
  });
});

describe("a gateway's credential", () => {
  it("is for the installer's own company", async () => {
    for (const body of [{}, { company: 'north' }, undefined]) {
      const made = await installer.post('/v1/gateway-credentials', body);
      expect(made.status).toBe(201);
      expect(await rowOf(made.body.username)).toMatchObject({ company: 'north', site: null, device: null });
    }
    expect((await installer.get('/v1/gateway-credentials')).body.items).toHaveLength(3);
  });

  it('is for the company that an operator names, or the default one', async () => {
    const west = await operator.post('/v1/gateway-credentials', { company: 'west' });
    const standard = await operator.post('/v1/gateway-credentials', {});
    expect((await rowOf(west.body.username))?.company).toBe('west');
    expect((await rowOf(standard.body.username))?.company).toBe('default');
    expect((await installer.delete(`/v1/gateway-credentials/${west.body.username}`)).status).toBe(404);
    expect((await operator.delete(`/v1/gateway-credentials/${west.body.username}`)).status).toBe(204);
  });
});
