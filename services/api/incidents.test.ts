// Incidents over HTTP: finding them, and what people do with them.

import { sql } from 'kysely';
import { beforeEach, describe, expect, it } from 'vitest';
import { aSite, callerOf, insertIncidentRow, operatorOf, startTestApi } from './test-support.ts';

const api = await startTestApi({ shelfCheckMs: 50 });
const operator = operatorOf(api);
const installer = await callerOf(api, { role: 'installer', name: 'Robin (north)', company: 'north' });
beforeEach(() => api.database.keepOnFailure());

for (const id of ['elm-1', 'elm-2', 'pages-1', 'act-1'])
  await operator.post('/v1/sites', aSite({ id, company: 'north' }));
const insert = (row: Omit<Parameters<typeof insertIncidentRow>[1], 'company'>) =>
  insertIncidentRow(api.owner, { company: 'north', ...row });

describe('one incident', () => {
  it('has the fields of the contract, in its words', async () => {
    const id = await insert({ site: 'elm-1', subject: 'L2', onsetAt: '2026-03-01T11:00:00Z' });
    const { status, body } = await installer.get(`/v1/incidents/${id}`);
    expect(status).toBe(200);
    expect(body).toEqual({
      id,
      site: 'elm-1',
      siteName: 'Cedar Lane 4',
      kind: 'service-ct-reversed',
      subject: 'L2',
      priority: 'medium',
      state: 'active',
      acknowledgedAt: null,
      acknowledgedBy: null,
      shelvedUntil: null,
      onsetAt: '2026-03-01T11:00:00.000Z',
      detectedAt: '2026-03-01T12:00:00.000Z',
      raisedAt: body.raisedAt,
      clearedAt: null,
      clearedWhy: null,
      late: false,
      chattering: false,
      headline: 'The service CT on L2 is clipped on backwards.',
      explanation: 'Power on L2 flows out of the house while the battery charges.',
      steps: ['Turn the clamp on L2 round.'],
      caution: 'Work inside a panel is for a licensed electrician under the local code.',
      confidence: body.confidence,
      evidence: {
        from: '2026-03-01T11:00:00Z',
        to: '2026-03-01T12:00:00Z',
        series: ['meter-1 l2.p', 'meter-1 l2.i'],
        figures: [{ label: 'Power on L2', value: -840, unit: 'W', source: 'meter-1 l2.p' }],
      },
      history: [
        {
          type: 'raised',
          at: body.history[0].at,
          eventAt: '2026-03-01T12:00:00.000Z',
          by: 'detection',
          note: null,
        },
      ],
    });
    expect(body.confidence).toBeCloseTo(0.99, 5);
  });
});

describe('finding incidents', () => {
  it('by site, kind, state, priority, device time and words', async () => {
    const low = await insert({
      ...{ site: 'elm-2', kind: 'reserve-low', subject: 'battery-1', priority: 'high' },
      ...{ detectedAt: '2026-04-01T00:00:00Z', headline: 'battery-1 holds 12 %, below the reserve.' },
    });
    const over = await insert({
      ...{ site: 'elm-2', kind: 'inlet-over-cap', subject: 'inlet 1', priority: 'high', state: 'cleared' },
      ...{ detectedAt: '2026-04-02T00:00:00Z', clearedAt: '2026-04-02T01:00:00Z' },
    });
    const swapped = await insert({
      site: 'elm-2',
      kind: 'service-ct-swapped',
      detectedAt: '2026-04-03T00:00:00Z',
    });
    const find = async (query: string): Promise<string[]> => {
      const { body } = await installer.get(`/v1/incidents?site=elm-2&${query}`);
      return body.items.map(({ id }: { id: string }) => id);
    };
    expect(await find('')).toEqual([swapped, over, low]);
    expect(await find('kind=reserve-low,inlet-over-cap')).toEqual([over, low]);
    expect(await find('kind=reserve-low&kind=service-ct-swapped')).toEqual([swapped, low]);
    expect(await find('state=cleared')).toEqual([over]);
    expect(await find('priority=high&state=active')).toEqual([low]);
    expect(await find('from=2026-04-02T00:00:00Z')).toEqual([swapped, over]);
    expect(await find('to=2026-04-02T00:00:00Z')).toEqual([low]);
    // The same instant with another offset; the plus sign not encoded, as people paste it.
    expect(await find('from=2026-04-02T02:00:00+02:00')).toEqual([swapped, over]);
    expect(await find('q=12+%25')).toEqual([low]);
    expect(await find('q=RESERVE')).toEqual([low]);
    expect(await find('q=battery+swapped')).toEqual([swapped]);
    expect(await find('q=_%25_x')).toEqual([]);
    await installer.post(`/v1/incidents/${over}/notes`, { note: 'Gate code from Ms Example.' });
    expect(await find('q=gate+code')).toEqual([over]);
    expect(await find('q=gate+reserve')).toEqual([]);
  });

  it('pages through all of them, each once, newest first, while others are raised', async () => {
    // Half of them raised at the very same microsecond: only the id tells their order.
    const raisedAt = '2026-05-01T00:00:00.123456Z';
    for (let n = 0; n < 40; n++) {
      const other = `2026-05-01T00:00:00.1234${String(n).padStart(2, '0')}Z`;
      await insert({ site: 'pages-1', raisedAt: n % 2 === 0 ? raisedAt : other });
    }
    const before = await sql<{ id: string }>`select id from incident where site = 'pages-1'
      order by raised_at desc, id`.execute(api.owner);
    const seen: string[] = [];
    let path: string | null = '/v1/incidents?site=pages-1&limit=7';
    while (path !== null) {
      const { body, headers } = await installer.get(path);
      seen.push(...body.items.map(({ id }: { id: string }) => id));
      await insert({ site: 'pages-1' });
      path = /^<([^>]+)>; rel="next"$/.exec(headers.get('link') ?? '')?.[1] ?? null;
      expect(path === null).toBe(body.next === null);
    }
    expect(seen).toEqual(before.rows.map(({ id }) => id));
  });
});

describe('what people do with an incident', () => {
  it('is told in its history, with who and when', async () => {
    const id = await insert({ site: 'act-1' });
    const until = new Date(Date.now() + 86_400_000).toISOString();
    const answers = [
      await installer.post(`/v1/incidents/${id}/acknowledge`),
      await installer.post(`/v1/incidents/${id}/notes`, { note: 'Visit on Tuesday.\nBring a clamp meter.' }),
      await installer.post(`/v1/incidents/${id}/shelve`, { until, note: 'until the visit' }),
    ];
    expect(answers.map(({ status }) => status)).toEqual([200, 200, 200]);
    expect(answers[2]?.body).toMatchObject({ shelvedUntil: until, acknowledgedBy: 'Robin (north)' });
    expect(answers[2]?.body.acknowledgedAt).not.toBeNull();
    await operator.post(`/v1/incidents/${id}/unshelve`);
    const { body } = await installer.post(`/v1/incidents/${id}/mended`, { note: 'clamp turned' });
    expect(body.shelvedUntil).toBeNull();
    expect(body.state).toBe('active');
    expect(body.history.map(({ type, by, note }: Record<string, unknown>) => [type, by, note])).toEqual([
      ['raised', 'detection', null],
      ['acknowledged', 'Robin (north)', null],
      ['note', 'Robin (north)', 'Visit on Tuesday.\nBring a clamp meter.'],
      ['shelved', 'Robin (north)', 'until the visit'],
      ['unshelved', 'operator', null],
      ['mended', 'Robin (north)', 'clamp turned'],
    ]);
  });

  it('twice says nothing new: who acknowledged first stands', async () => {
    const id = await insert({ site: 'act-1' });
    const answers = await Promise.all(
      [installer, operator, installer, operator].map((one) => one.post(`/v1/incidents/${id}/acknowledge`)),
    );
    expect(answers.map(({ status }) => status)).toEqual([200, 200, 200, 200]);
    await operator.post(`/v1/incidents/${id}/unshelve`);
    const { body } = await installer.get(`/v1/incidents/${id}`);
    expect(body.history.map(({ type }: { type: string }) => type)).toEqual(['raised', 'acknowledged']);
  });

  it('reaches the rules: what is mended stands in the transitions, after all that is committed', async () => {
    const id = await insert({ site: 'act-1' });
    await installer.post(`/v1/incidents/${id}/mended`);
    const found = await sql`select 1 from incident_transition
      where incident_id = ${id} and type = 'mended' and tx > 0 and event_at is null`.execute(api.owner);
    expect(found.rows).toHaveLength(1);
  });

  it('must fit its state', async () => {
    const id = await insert({ site: 'act-1', state: 'cleared', clearedAt: '2026-03-02T00:00:00Z' });
    const until = new Date(Date.now() + 3_600_000).toISOString();
    for (const answer of [
      await installer.post(`/v1/incidents/${id}/shelve`, { until }),
      await installer.post(`/v1/incidents/${id}/mended`),
    ]) {
      expect([answer.status, answer.body.code]).toEqual([409, 'incident-cleared']);
    }
    // ISA-18.2: what has returned to normal may still be waiting for someone to see it.
    expect((await installer.post(`/v1/incidents/${id}/acknowledge`)).status).toBe(200);
  });

  it.each([
    ['shelve', {}, '#/until'],
    ['shelve', { until: '2020-01-01T00:00:00Z' }, '#/until'],
    ['shelve', { until: '2190-01-01T00:00:00Z' }, '#/until'],
    ['notes', {}, '#/note'],
    ['notes', { note: '   ' }, '#/note'],
    ['notes', { note: 'x'.repeat(2001) }, '#/note'],
    ['acknowledge', { comment: 'x' }, '#/comment'],
  ])('%s with %j is refused', async (action, body, pointer) => {
    const id = await insert({ site: 'act-1' });
    const answer = await installer.post(`/v1/incidents/${id}/${action}`, body);
    expect(answer.status).toBe(422);
    expect(answer.body.errors.map((error: { pointer: string }) => error.pointer)).toEqual([pointer]);
  });
});

describe('a shelved incident', () => {
  // ISA-18.2 / OPC UA Part 9, 5.8: shelving is timed, shows, expires, and is logged.
  it('comes back by itself when its time is over, and its history says so', async () => {
    const id = await insert({ site: 'act-1' });
    await installer.post(`/v1/incidents/${id}/shelve`, {
      until: new Date(Date.now() + 60_000).toISOString(),
    });
    await sql`update incident set shelved_until = now() - interval '1 second' where id = ${id}`.execute(
      api.owner,
    );
    await expect
      .poll(async () => (await installer.get(`/v1/incidents/${id}`)).body, { timeout: 10_000 })
      .toMatchObject({ shelvedUntil: null, history: [{}, {}, { type: 'unshelved', by: 'time' }] });
  });
});
