// Who sees what. Two companies, a site each, a caller of every role; then the same without the API's own
// filters, on the rows themselves.

import { asCaller, type Caller, openSite } from '@afterwatt/store';
import { sql } from 'kysely';
import { beforeEach, describe, expect, it } from 'vitest';
import { aSite, type Client, callerOf, insertIncidentRow, operatorOf, startTestApi } from './test-support.ts';

const api = await startTestApi();
const operator = operatorOf(api);
beforeEach(() => api.database.keepOnFailure());

await operator.post('/v1/sites', aSite({ id: 'north-1', company: 'north' }));
await operator.post('/v1/sites', aSite({ id: 'south-1', company: 'south' }));
await operator.post('/v1/sites', aSite({ id: 'south-2', company: 'south' }));
const told = 'Your battery is below the reserve you asked for; we have told your installer.';
const incidents = {
  north: await insertIncidentRow(api.owner, { site: 'north-1', company: 'north' }),
  south: await insertIncidentRow(api.owner, { site: 'south-1', company: 'south' }),
  southTold: await insertIncidentRow(api.owner, {
    ...{ site: 'south-1', company: 'south', kind: 'reserve-low', subject: 'battery-1', homeowner: told },
  }),
};
await sql`insert into quarantine (company, site, reason, detail, topic, payload) values
  ('north', 'north-1', 'r', 'd', 't', ''), ('south', 'south-1', 'r', 'd', 't', ''), (null, null, 'r', 'd', 't', '')`.execute(
  api.owner,
);

const north = await callerOf(api, { role: 'installer', company: 'north' });
const south = await callerOf(api, { role: 'installer', company: 'south' });
const support = await callerOf(api, { role: 'support' });
const home = await callerOf(api, { role: 'homeowner', sites: ['south-1'] });

const idsOf = async (client: Client, path: string): Promise<(string | number)[]> => {
  const answer = await client.get(path);
  expect(answer.status).toBe(200);
  return answer.body.items.map((item: { id: string }) => item.id).sort();
};

describe('an installer', () => {
  it('sees the sites and incidents of the own company', async () => {
    expect(await idsOf(north, '/v1/sites')).toEqual(['north-1']);
    expect(await idsOf(north, '/v1/incidents')).toEqual([incidents.north]);
    expect(await idsOf(south, '/v1/incidents')).toEqual([incidents.south, incidents.southTold].sort());
    expect(await idsOf(north, '/v1/quarantine')).toHaveLength(1);
  });

  it("is told that another company's does not exist, whatever is asked of it", async () => {
    const asked = [
      north.get('/v1/sites/south-1'),
      north.get('/v1/sites/south-1/readings'),
      north.get('/v1/sites/south-1/device-credentials'),
      north.patch('/v1/sites/south-1', { name: 'Ours' }),
      north.delete('/v1/sites/south-1'),
      north.post('/v1/sites/south-1/device-credentials', { device: 'meter-1' }),
      north.get(`/v1/incidents/${incidents.south}`),
      north.post(`/v1/incidents/${incidents.south}/acknowledge`),
      north.post(`/v1/incidents/${incidents.south}/notes`, { note: 'ours' }),
      north.post(`/v1/incidents/${incidents.south}/mended`),
    ];
    expect((await Promise.all(asked)).map(({ status }) => status)).toEqual(asked.map(() => 404));
    expect(await idsOf(north, '/v1/sites?company=south')).toEqual([]);
    expect(await idsOf(north, '/v1/incidents?site=south-1')).toEqual([]);
    const gateway = await north.post('/v1/gateway-credentials', { company: 'south' });
    expect(gateway.status).toBe(403);
  });
});

describe('support', () => {
  it('reads everything', async () => {
    expect(await idsOf(support, '/v1/sites')).toEqual(['north-1', 'south-1', 'south-2']);
    expect(await idsOf(support, '/v1/incidents')).toHaveLength(3);
    expect(await idsOf(support, '/v1/quarantine')).toHaveLength(3);
  });

  it('may note and acknowledge, and nothing else', async () => {
    const { status } = await support.post(`/v1/incidents/${incidents.north}/acknowledge`, {
      note: 'on a call',
    });
    expect(status).toBe(200);
    expect(
      (await support.post(`/v1/incidents/${incidents.north}/notes`, { note: 'called back' })).status,
    ).toBe(200);
    const refused = [
      support.post(`/v1/incidents/${incidents.north}/shelve`, { until: '2100-01-01T00:00:00Z' }),
      support.post(`/v1/incidents/${incidents.north}/unshelve`),
      support.post(`/v1/incidents/${incidents.north}/mended`),
      support.post('/v1/sites', aSite({ id: 'mine-1' })),
      support.patch('/v1/sites/north-1', { name: 'Mine' }),
      support.delete('/v1/sites/north-1'),
      support.get('/v1/sites/north-1/device-credentials'),
      support.post('/v1/gateway-credentials', {}),
      support.post('/v1/tokens', { name: 'mine', role: 'support' }),
      support.post('/v1/storm-alerts', '<alert/>', { 'content-type': 'application/cap+xml' }),
    ];
    expect((await Promise.all(refused)).map(({ status }) => status)).toEqual(refused.map(() => 403));
  });
});

describe('a homeowner', () => {
  it('sees the own site without the wiring', async () => {
    expect(await idsOf(home, '/v1/sites')).toEqual(['south-1']);
    const { body } = await home.get('/v1/sites/south-1');
    expect(Object.keys(body).sort()).toEqual(
      ['batteries', 'createdAt', 'devices', 'id', 'name', 'storm', 'tariff', 'timeZone', 'updatedAt'].sort(),
    );
    expect(body.batteries).toEqual([{ device: 'battery-1', capacityWh: 3000, reservePct: 20 }]);
    expect(body.devices.map((one: { device: string }) => one.device)).toEqual(['battery-1']);
    expect((await home.get('/v1/sites/south-2')).status).toBe(404);
  });

  it('reads one plain sentence of the incidents that have one, and of no other', async () => {
    await south.post(`/v1/incidents/${incidents.southTold}/notes`, { note: 'the customer is difficult' });
    await south.post(`/v1/incidents/${incidents.southTold}/acknowledge`, { note: 'busy' });
    expect(await idsOf(home, '/v1/incidents')).toEqual([incidents.southTold]);
    const { body, text } = await home.get(`/v1/incidents/${incidents.southTold}`);
    expect(body).toMatchObject({
      headline: told,
      explanation: null,
      steps: [],
      caution: null,
      evidence: null,
    });
    expect(body.history.map(({ type, by, note }: Record<string, unknown>) => ({ type, by, note }))).toEqual([
      { type: 'raised', by: 'detection', note: null },
      { type: 'acknowledged', by: 'installer', note: null },
    ]);
    expect(text).not.toMatch(/clamp|panel|L2|difficult|busy|a installer/);
    expect((await home.get(`/v1/incidents/${incidents.south}`)).status).toBe(404);
  });

  it('finds by the words of that sentence, not by those that staff read', async () => {
    expect(await idsOf(home, '/v1/incidents?q=reserve+asked')).toEqual([incidents.southTold]);
    expect(await idsOf(home, '/v1/incidents?q=clipped')).toEqual([]);
  });

  it('is told of a silent device only when it has been silent for a day', async () => {
    const silent = (onsetAt: string, clearedAt: string | null) =>
      insertIncidentRow(api.owner, {
        ...{
          site: 'south-1',
          company: 'south',
          kind: 'device-silent',
          homeowner: 'We have not heard for a day.',
        },
        ...{ onsetAt, clearedAt, state: clearedAt === null ? 'active' : 'cleared' },
      });
    const short = await silent('2026-03-01T00:00:00Z', '2026-03-01T23:59:00Z');
    const long = await silent('2026-03-02T00:00:00Z', '2026-03-03T00:01:00Z');
    const fresh = await silent(new Date(Date.now() - 3_600_000).toISOString(), null);
    const seen = await idsOf(home, '/v1/incidents?kind=device-silent');
    expect(seen).toEqual([long]);
    for (const id of [short, fresh]) expect((await home.get(`/v1/incidents/${id}`)).status).toBe(404);
  });

  it('changes nothing', async () => {
    const refused = [
      home.post(`/v1/incidents/${incidents.southTold}/acknowledge`),
      home.post(`/v1/incidents/${incidents.southTold}/notes`, { note: 'mine' }),
      home.patch('/v1/sites/south-1', { name: 'Mine' }),
      home.get('/v1/quarantine'),
      home.get('/v1/tokens'),
    ];
    expect((await Promise.all(refused)).map(({ status }) => status)).toEqual(refused.map(() => 403));
  });
});

describe('a query that forgets to filter', () => {
  const TABLES = ['site', 'device', 'credential', 'quarantine', 'incident', 'incident_transition'] as const;
  const db = api.database.connect('afterwatt_api').db;
  const count = async (caller: Caller | null, table: string): Promise<number> => {
    const query = sql<{ n: number }>`select count(*) as n from ${sql.table(table)}`;
    const found =
      caller === null ? await query.execute(db) : await asCaller(db, caller, (tx) => query.execute(tx));
    return found.rows[0]?.n ?? -1;
  };

  it('shows nothing before it is said who calls, nor to an installer of no company', async () => {
    for (const table of TABLES) {
      expect([table, await count(null, table)]).toEqual([table, 0]);
      expect([table, await count({ role: 'installer', company: null, sites: [] }, table)]).toEqual([
        table,
        0,
      ]);
      expect([table, await count({ role: 'homeowner', company: null, sites: [] }, table)]).toEqual([
        table,
        0,
      ]);
    }
  });

  it("shows an installer the own company's rows alone", async () => {
    await operator.post('/v1/sites/south-1/device-credentials', { device: 'meter-1' });
    await operator.post('/v1/gateway-credentials', { company: 'south' });
    const caller: Caller = { role: 'installer', company: 'north', sites: [] };
    const seen: Record<string, number> = {};
    for (const table of TABLES) seen[table] = await count(caller, table);
    const owned = await sql<typeof seen>`
      select (select count(*) from site where company = 'north') as site,
        (select count(*) from device where site_no in (select no from site where company = 'north')) as device,
        (select count(*) from credential where company = 'north') as credential,
        (select count(*) from quarantine where company = 'north') as quarantine,
        (select count(*) from incident where company = 'north') as incident,
        (select count(*) from incident_transition t join incident i on i.id = incident_id
          where i.company = 'north') as incident_transition`.execute(api.owner);
    expect(seen).toEqual(owned.rows[0]);
  });

  it('reads the readings of the opened site alone, and of none before one is opened', async () => {
    await sql`select ensure_reading_partitions('2026-03-01')`.execute(api.owner);
    await sql`insert into meter_reading (at, tx, site_no, device_no, l1_v)
      select '2026-03-01T00:00:00Z', current_tx(), site_no, no, 120 from device where kind = 'meter'`.execute(
      api.owner,
    );
    expect(await count({ role: 'operator', company: null, sites: [] }, 'meter_reading')).toBe(0);
    const [opened, seen] = await asCaller(db, { role: 'operator', company: null, sites: [] }, async (tx) => {
      const site = await sql<{ no: number }>`select no from site where id = 'south-1'`.execute(tx);
      const no = site.rows[0]?.no ?? 0;
      await openSite(tx, no);
      return [no, await sql<{ site_no: number }>`select site_no from meter_reading`.execute(tx)] as const;
    });
    expect(seen.rows).toEqual([{ site_no: opened }]);
  });

  it("changes no other company's rows, and makes none there", async () => {
    const caller: Caller = { role: 'installer', company: 'north', sites: [] };
    const changed = await asCaller(db, caller, async (tx) => {
      await tx.updateTable('site').set({ name: 'Ours' }).execute();
      await tx.updateTable('incident').set({ acknowledged_by: 'us' }).execute();
      return tx.deleteFrom('incident').where('company', '=', 'south').executeTakeFirst();
    });
    expect(changed.numDeletedRows).toBe(0n);
    const others = await sql`select 1 from site where name = 'Ours' and company <> 'north'
      union all select 1 from incident where acknowledged_by = 'us' and company <> 'north'`.execute(
      api.owner,
    );
    expect(others.rows).toEqual([]);
    const smuggle = asCaller(db, caller, (tx) =>
      tx.insertInto('site').values({ id: 'smuggled', company: 'south', name: 'x', config: '{}' }).execute(),
    );
    await expect(smuggle).rejects.toThrow('row-level security');
    const give = asCaller(db, caller, (tx) => tx.updateTable('site').set({ company: 'south' }).execute());
    await expect(give).rejects.toThrow('row-level security');
  });

  it('keeps nothing of a caller for the next transaction of the same connection', async () => {
    const one = api.database.connect('afterwatt_api');
    await asCaller(one.db, { role: 'operator', company: null, sites: [] }, (tx) =>
      tx.selectFrom('site').select('id').execute(),
    );
    const after = await sql<{ n: number }>`select count(*) as n from site`.execute(one.db);
    expect(after.rows).toEqual([{ n: 0 }]);
  });
});
