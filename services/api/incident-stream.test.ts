// The stream of incidents: nothing missed, nothing twice, nothing of others.

import { sql } from 'kysely';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { aSite, insertIncidentRow, OPERATOR_TOKEN, operatorOf, startTestApi } from './test-support.ts';

const api = await startTestApi({ heartbeatMs: 50 });
const operator = operatorOf(api);
beforeEach(() => api.database.keepOnFailure());
await operator.post('/v1/sites', aSite({ id: 'north-1', company: 'north' }));
await operator.post('/v1/sites', aSite({ id: 'south-1', company: 'south' }));

/** Another test's long transaction in the same cluster holds up what must come in the order of commit. */
const eventually = <T>(read: () => T) => expect.poll(read, { timeout: 20_000 });

interface Told {
  readonly id: string;
  readonly data: { id: string; site: string; headline: string; transition: { type: string; by: string } };
}

/** Reads a stream as a browser does (WHATWG HTML, section 9.2.6), as far as it is used. */
async function follow(token: string, lastEventId?: string) {
  const aborting = new AbortController();
  const response = await fetch(`${api.url}/v1/incidents/stream`, {
    headers: {
      authorization: `Bearer ${token}`,
      ...(lastEventId === undefined ? {} : { 'last-event-id': lastEventId }),
    },
    signal: aborting.signal,
  });
  const told: Told[] = [];
  const state = { lastId: '', comments: 0, ended: false };
  const reading = (async () => {
    let rest = '';
    const decoder = new TextDecoder();
    for await (const chunk of response.body ?? []) {
      rest += decoder.decode(chunk, { stream: true });
      const blocks = rest.split('\n\n');
      rest = blocks.pop() ?? '';
      for (const block of blocks) takeBlock(block, told, state);
    }
  })()
    .catch(() => {})
    .finally(() => {
      state.ended = true;
    });
  const close = async () => {
    aborting.abort();
    await reading;
  };
  open.push(close);
  return { response, told, state, close };
}

function takeBlock(block: string, told: Told[], state: { lastId: string; comments: number }): void {
  let data = '';
  for (const line of block.split('\n')) {
    if (line.startsWith(':')) state.comments++;
    if (line.startsWith('id: ')) state.lastId = line.slice('id: '.length);
    if (line.startsWith('data: ')) data += line.slice('data: '.length);
  }
  if (data !== '') told.push({ id: state.lastId, data: JSON.parse(data) });
}

const open: (() => Promise<void>)[] = [];
afterEach(async () => {
  await Promise.all(open.splice(0).map((close) => close()));
});

const insert = (site: 'north-1' | 'south-1', homeowner: string | null = null) =>
  insertIncidentRow(api.owner, { site, company: site === 'north-1' ? 'north' : 'south', homeowner });

describe('the stream', () => {
  it('tells each transition as it is committed, with the incident as it is', async () => {
    const stream = await follow(OPERATOR_TOKEN);
    expect(stream.response.headers.get('content-type')).toBe('text/event-stream; charset=utf-8');
    const id = await insert('north-1');
    await operator.post(`/v1/incidents/${id}/acknowledge`);
    await eventually(() => stream.told.map(({ data }) => [data.id, data.transition.type])).toEqual([
      [id, 'raised'],
      [id, 'acknowledged'],
    ]);
    expect(stream.told[1]?.data).toMatchObject({
      site: 'north-1',
      acknowledgedBy: 'operator',
    });
  });

  it('says that it is alive, and moves the place on meanwhile', async () => {
    const stream = await follow(OPERATOR_TOKEN);
    const before = stream.state.lastId;
    await sql`create table if not exists some_transaction ()`.execute(api.owner);
    await eventually(() => stream.state.comments).toBeGreaterThan(2);
    await eventually(() => stream.state.lastId).not.toBe(before);
    expect(stream.told).toEqual([]);
  });

  it('goes on after Last-Event-ID: what came while nobody listened, in order, each once', async () => {
    const first = await follow(OPERATOR_TOKEN);
    const seen = await insert('north-1');
    await eventually(() => first.told.length).toBe(1);
    await first.close();
    const missed = [await insert('north-1'), await insert('south-1'), await insert('north-1')];
    const second = await follow(OPERATOR_TOKEN, first.told[0]?.id);
    await eventually(() => second.told.map(({ data }) => data.id)).toEqual(missed);
    expect(missed).not.toContain(seen);
  });

  it('goes on from before its first event, when it had none', async () => {
    const first = await follow(OPERATOR_TOKEN);
    await eventually(() => first.state.lastId).not.toBe('');
    await first.close();
    const id = await insert('north-1');
    const second = await follow(OPERATOR_TOKEN, first.state.lastId);
    await eventually(() => second.told.map(({ data }) => data.id)).toEqual([id]);
  });

  it('misses nothing that an older transaction commits after a newer one', async () => {
    const stream = await follow(OPERATOR_TOKEN);
    let late = '';
    let early = '';
    await api.owner.transaction().execute(async (tx) => {
      // Takes its number now, and commits after the next one.
      late = await sql<{ id: string }>`with made as (
        insert into incident (id, company, site, site_no, kind, subject, priority, state, onset_at, detected_at, late,
          chattering, confidence, headline, explanation, steps, facts, evidence)
        values (gen_random_uuid(), 'north', 'north-1', (select no from site where id = 'north-1'), 'ct-ratio', 'L1',
          'low', 'active', now(), now(), false, false, 1, 'late', '', '{}', '{}',
          '{"from": "", "to": "", "series": [], "figures": []}') returning id)
        insert into incident_transition (incident_id, type, event_at, by) select id, 'raised', now(), 'detection' from made
        returning incident_id as id`
        .execute(tx)
        .then(({ rows }) => rows[0]?.id ?? '');
      early = await insert('south-1');
      // Long enough for a stream that would tell it at once.
      await eventually(() => stream.state.comments).toBeGreaterThan(3);
      expect(stream.told).toEqual([]);
      await sql`select pg_notify('incident', '')`.execute(tx);
    });
    await eventually(() => stream.told.map(({ data }) => data.id)).toEqual([late, early]);
  });

  it('tells an installer of the own company, and a homeowner of the own home in one sentence', async () => {
    const token = async (fields: object) =>
      (await operator.post('/v1/tokens', { name: 'x', ...fields })).body.token;
    const north = await follow(await token({ role: 'installer', company: 'north' }));
    const home = await follow(await token({ role: 'homeowner', sites: ['south-1'] }));
    const ids = {
      north: await insert('north-1'),
      south: await insert('south-1'),
      told: await insert('south-1', 'Your battery is below its reserve.'),
    };
    await operator.post(`/v1/incidents/${ids.told}/notes`, { note: 'not for the customer' });
    await operator.post(`/v1/incidents/${ids.told}/acknowledge`);
    await eventually(() =>
      home.told.map(({ data }) => [data.id, data.transition.type, data.transition.by]),
    ).toEqual([
      [ids.told, 'raised', 'detection'],
      [ids.told, 'acknowledged', 'installer'],
    ]);
    expect(home.told[0]?.data).toMatchObject({ headline: 'Your battery is below its reserve.', steps: [] });
    await eventually(() => north.told.map(({ data }) => data.id)).toEqual([ids.north]);
  });

  it('ends when the token is revoked', async () => {
    const made = await operator.post('/v1/tokens', { name: 'leaving', role: 'support' });
    const stream = await follow(made.body.token);
    await eventually(() => stream.state.comments).toBeGreaterThan(0);
    expect(stream.state.ended).toBe(false);
    await operator.delete(`/v1/tokens/${made.body.id}`);
    await eventually(() => stream.state.ended).toBe(true);
  });

  it('does not keep one waiting who asks for its head alone', async () => {
    const headers = { authorization: `Bearer ${OPERATOR_TOKEN}` };
    const response = await fetch(`${api.url}/v1/incidents/stream`, { method: 'HEAD', headers });
    expect(response.status).toBe(404);
  });

  it('refuses a Last-Event-ID that it never gave', async () => {
    const { response } = await follow(OPERATOR_TOKEN, 'abc');
    expect(response.status).toBe(400);
  });
});

it('ends its streams when the service stops, so that stopping takes no longer than a moment', async () => {
  const stream = await follow(OPERATOR_TOKEN);
  const begunMs = performance.now();
  await api.stop();
  await eventually(() => stream.state.ended).toBe(true);
  expect(performance.now() - begunMs).toBeLessThan(5_000);
});
