// Sites over HTTP: registering, finding, changing, deleting.

import { sql } from 'kysely';
import { beforeEach, describe, expect, it } from 'vitest';
import { aSite, callerOf, clientOf, insertIncidentRow, operatorOf, startTestApi } from './test-support.ts';

const api = await startTestApi();
const operator = operatorOf(api);
const installer = await callerOf(api, { role: 'installer', company: 'north' });
beforeEach(() => api.database.keepOnFailure());

describe('registering a site', () => {
  it('fills in every default and says where the site is', async () => {
    const made = await operator.post('/v1/sites', aSite());
    expect(made.status).toBe(201);
    expect(made.headers.get('location')).toBe('/v1/sites/cedar-lane-4');
    expect(made.body).toMatchObject({
      id: 'cedar-lane-4',
      company: 'default',
      meter: { device: 'meter-1', periodSeconds: 5 },
      inlets: [{ number: 1, leg: 'L1', capAmps: 15 }],
      batteries: [{ device: 'battery-1', inlet: 1, reservePct: 20 }],
      tariff: null,
    });
    const read = await operator.get('/v1/sites/cedar-lane-4');
    expect(read.body).toEqual({
      ...made.body,
      devices: [
        { device: 'battery-1', kind: 'battery', lastReadingAt: null, online: null, firmware: null },
        { device: 'meter-1', kind: 'meter', lastReadingAt: null, online: null, firmware: null },
      ],
    });
  });

  it('refuses an id that is taken, whoever has it', async () => {
    await operator.post('/v1/sites', aSite({ id: 'taken-1' }));
    for (const caller of [operator, installer]) {
      const again = await caller.post('/v1/sites', aSite({ id: 'taken-1', name: 'Another' }));
      expect(again.status).toBe(409);
      expect(again.body.code).toBe('site-exists');
    }
    expect((await operator.get('/v1/sites/taken-1')).body.name).toBe('Cedar Lane 4');
  });

  it("puts an installer's site into the own company, and into no other", async () => {
    expect((await installer.post('/v1/sites', aSite({ id: 'own-1' }))).body.company).toBe('north');
    const other = await installer.post('/v1/sites', aSite({ id: 'own-2', company: 'default' }));
    expect(other.status).toBe(403);
    expect(other.body.errors[0].pointer).toBe('#/company');
  });

  it('takes a company that an operator names for the first time', async () => {
    const made = await operator.post('/v1/sites', aSite({ id: 'west-1', company: 'west' }));
    expect(made.body.company).toBe('west');
  });

  it('can be told to one of two who say it at once', async () => {
    const answers = await Promise.all(
      [...Array(6)].map(() => operator.post('/v1/sites', aSite({ id: 'race-1' }))),
    );
    expect(answers.map(({ status }) => status).sort()).toEqual([201, 409, 409, 409, 409, 409]);
  });
});

describe('changing a site', () => {
  // RFC 7396 section 1: objects merge, lists are replaced, null removes.
  it('merges what is given into what stands', async () => {
    await operator.post(
      '/v1/sites',
      aSite({ id: 'patch-1', service: { mainAmps: 100 }, region: 'Elm Valley' }),
    );
    const patched = await operator.patch('/v1/sites/patch-1', {
      service: { otherGeneration: true },
      region: null,
      batteries: [{ device: 'battery-9', capacityWh: 5000 }],
    });
    expect(patched.status).toBe(200);
    expect(patched.body).toMatchObject({
      service: { mainAmps: 100, otherGeneration: true },
      region: null,
      batteries: [{ device: 'battery-9', capacityWh: 5000 }],
    });
    expect(patched.body.updatedAt > patched.body.createdAt).toBe(true);
    const merged = await clientOf(api, 'operator-token-of-the-test-run').post('/v1/sites/patch-1', {});
    expect(merged.status).toBe(405);
  });

  it('refuses what would be no site, by the field of the patch', async () => {
    await operator.post('/v1/sites', aSite({ id: 'patch-2' }));
    const answer = await operator.patch('/v1/sites/patch-2', {
      batteries: [{ device: 'battery-1', inlet: 2 }],
    });
    expect(answer.status).toBe(422);
    expect(answer.body.errors).toEqual([
      {
        in: 'body',
        pointer: '#/batteries/0/inlet',
        detail:
          "batteries[0].inlet is 2: must be the number of one of the site's inlets: there is no inlet 2",
      },
    ]);
    expect((await operator.patch('/v1/sites/patch-2', { id: 'patch-3' })).status).toBe(422);
  });

  it('wakes the rules: the row says which transaction changed it', async () => {
    await operator.post('/v1/sites', aSite({ id: 'patch-4' }));
    const txOf = () => sql<{ tx: number }>`select tx from site where id = 'patch-4'`.execute(api.owner);
    const before = await txOf();
    await operator.patch('/v1/sites/patch-4', { name: 'Cedar Lane 4b' });
    expect((await txOf()).rows[0]?.tx).toBeGreaterThan(before.rows[0]?.tx ?? 0);
  });

  it('ends the credentials of a device that is taken away', async () => {
    await operator.post('/v1/sites', aSite({ id: 'patch-5' }));
    await operator.post('/v1/sites/patch-5/device-credentials', { device: 'battery-1' });
    await operator.post('/v1/sites/patch-5/device-credentials', { device: 'meter-1' });
    await operator.patch('/v1/sites/patch-5', { batteries: [] });
    const left = await operator.get('/v1/sites/patch-5/device-credentials');
    expect(left.body.items.map((one: { device: string }) => one.device)).toEqual(['meter-1']);
    const refused = await operator.post('/v1/sites/patch-5/device-credentials', { device: 'battery-1' });
    expect(refused.status).toBe(422);
  });

  it('two at once lose nothing of each other', async () => {
    await operator.post('/v1/sites', aSite({ id: 'patch-6' }));
    await Promise.all([
      operator.patch('/v1/sites/patch-6', { service: { mainAmps: 150 } }),
      operator.patch('/v1/sites/patch-6', { storm: { targetPct: 90 } }),
      operator.patch('/v1/sites/patch-6', { region: 'Elm Valley' }),
    ]);
    expect((await operator.get('/v1/sites/patch-6')).body).toMatchObject({
      service: { mainAmps: 150 },
      storm: { targetPct: 90 },
      region: 'Elm Valley',
    });
  });

  it('by an operator takes it to another company, with its past', async () => {
    await operator.post('/v1/sites', aSite({ id: 'move-1' }));
    await operator.post('/v1/sites/move-1/device-credentials', { device: 'meter-1' });
    const incident = await insertIncidentRow(api.owner, { site: 'move-1' });
    await operator.patch('/v1/sites/move-1', { company: 'north' });
    expect((await installer.get(`/v1/incidents/${incident}`)).status).toBe(200);
    expect((await installer.get('/v1/sites/move-1/device-credentials')).body.items).toHaveLength(1);
    expect((await installer.patch('/v1/sites/move-1', { company: 'default' })).status).toBe(403);
  });
});

describe('finding sites', () => {
  it('pages through all of them, each once, while others are registered', async () => {
    const ids = [...Array(23)].map((_, n) => `page-${String(n).padStart(2, '0')}`);
    for (const id of ids) await operator.post('/v1/sites', aSite({ id, region: 'Pages' }));
    const seen: string[] = [];
    let path: string | undefined = '/v1/sites?region=Pages&limit=5';
    let round = 0;
    while (path !== undefined) {
      const { body, headers } = await operator.get(path);
      seen.push(...body.items.map((site: { id: string }) => site.id));
      // Before the place, at it, and ahead of it.
      await operator.post('/v1/sites', aSite({ id: `page-00-${round++}`, region: 'Pages' }));
      const link = headers.get('link');
      expect(body.next === null).toBe(link === null);
      path = link === null ? undefined : /^<([^>]+)>; rel="next"$/.exec(link)?.[1];
      if (link !== null) expect(new URLSearchParams(path?.split('?')[1]).get('cursor')).toBe(body.next);
    }
    expect(seen.filter((id) => ids.includes(id))).toEqual(ids);
    expect(new Set(seen).size).toBe(seen.length);
  });

  it('by company, region and words', async () => {
    await operator.post(
      '/v1/sites',
      aSite({ id: 'find-1', name: 'Birch 100% Road', region: 'Find', company: 'west' }),
    );
    await operator.post('/v1/sites', aSite({ id: 'find-2', name: 'Birch Road', region: 'Find' }));
    const ids = async (query: string) =>
      (await operator.get(`/v1/sites?region=Find&${query}`)).body.items.map(
        (site: { id: string }) => site.id,
      );
    expect(await ids('q=birch')).toEqual(['find-1', 'find-2']);
    expect(await ids('q=road+find-2')).toEqual(['find-2']);
    expect(await ids('q=100%25')).toEqual(['find-1']);
    expect(await ids('company=west')).toEqual(['find-1']);
    expect(await ids('company=west,default')).toEqual(['find-1', 'find-2']);
    expect(await ids('company=west&company=default')).toEqual(['find-1', 'find-2']);
  });
});

describe('deleting a site', () => {
  it('leaves nothing of it behind', async () => {
    await operator.post('/v1/sites', aSite({ id: 'gone-1' }));
    await operator.post('/v1/sites/gone-1/device-credentials', { device: 'meter-1' });
    const home = await callerOf(api, { role: 'homeowner', sites: ['gone-1'] });
    const incident = await insertIncidentRow(api.owner, { site: 'gone-1' });
    await sql`select ensure_reading_partitions('2026-03-01')`.execute(api.owner);
    await sql`insert into meter_reading (at, tx, site_no, device_no, l1_v)
      select '2026-03-01', current_tx(), site_no, no, 120 from device
      where site_no = (select no from site where id = 'gone-1') and kind = 'meter'`.execute(api.owner);
    await sql`insert into detector_state (site_no, tx, state) select no, 1, '{}' from site where id = 'gone-1'`.execute(
      api.owner,
    );
    await sql`insert into quarantine (company, site, reason, detail, topic, payload)
      values ('default', 'gone-1', 'r', 'd', 't', '')`.execute(api.owner);

    expect((await operator.delete('/v1/sites/gone-1')).status).toBe(204);
    expect((await operator.get('/v1/sites/gone-1')).status).toBe(404);
    expect((await operator.get(`/v1/incidents/${incident}`)).status).toBe(404);
    const left = await sql<{ left: number }>`
      with no as (select no from site where id = 'gone-1')
      select (select count(*) from meter_reading where site_no in (select no from no))
        + (select count(*) from detector_state where site_no in (select no from no))
        + (select count(*) from incident where site_no in (select no from no))
        + (select count(*) from quarantine where site = 'gone-1')
        + (select count(*) from credential where site_no in (select no from no) and revoked_at is null) as left`.execute(
      api.owner,
    );
    expect(left.rows).toEqual([{ left: 0 }]);

    // Whoever registers the id again is a stranger to the homeowner of before.
    expect((await installer.post('/v1/sites', aSite({ id: 'gone-1' }))).status).toBe(201);
    expect((await home.get('/v1/sites/gone-1')).status).toBe(404);
    expect((await operator.delete('/v1/sites/gone-1')).status).toBe(204);
    expect((await operator.delete('/v1/sites/gone-1')).status).toBe(404);
  });
});
