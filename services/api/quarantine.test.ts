// What could not be accepted, over HTTP. What lands there and why is ingest's to test.

import { sql } from 'kysely';
import { beforeEach, describe, expect, it } from 'vitest';
import { aSite, callerOf, operatorOf, startTestApi } from './test-support.ts';

const api = await startTestApi();
const operator = operatorOf(api);
const installer = await callerOf(api, { role: 'installer', company: 'north' });
beforeEach(() => api.database.keepOnFailure());
await installer.post('/v1/sites', aSite({ id: 'elm-1' }));

async function insert(reason: string, payload: string | null, messageNo: number): Promise<number> {
  const found = await sql<{ id: number }>`insert into quarantine
    (company, site, device, reason, detail, record, topic, content_type, payload, tx, message_no, records)
    values ('north', 'elm-1', 'meter-1', ${reason}, 'l1.v is 600: must be at most 400 V', 'l1.v',
      'afterwatt/v1/elm-1/meter-1/readings', 'application/senml+json', ${payload === null ? null : Buffer.from(payload)},
      7, ${messageNo}, 3) returning id`.execute(api.owner);
  return found.rows[0]?.id ?? 0;
}

const pack = '[{"n":"l1.v","u":"V","v":600}]';
const first = await insert('out-of-range', pack, 1);
const second = await insert('unknown-quantity', null, 1);
const third = await insert('out-of-range', null, 2);

describe('the quarantine', () => {
  it('is a list, newest first, that can be narrowed to a site, a device and a reason', async () => {
    const ids = async (query: string) =>
      (await installer.get(`/v1/quarantine?${query}`)).body.items.map(({ id }: { id: number }) => id);
    expect(await ids('')).toEqual([third, second, first]);
    expect(await ids('reason=out-of-range')).toEqual([third, first]);
    expect(await ids('site=elm-2')).toEqual([]);
    expect(await ids('device=meter-1')).toEqual([third, second, first]);
    expect(await ids('site=elm-1&device=battery-1')).toEqual([]);
    expect(await ids('device=battery-1&device=meter-1&reason=unknown-quantity')).toEqual([second]);
    const { body } = await installer.get('/v1/quarantine?limit=2');
    expect(await ids(`limit=2&cursor=${body.next}`)).toEqual([first]);
  });

  it('counts what is wrong with whom', async () => {
    const { body } = await installer.get('/v1/quarantine/reasons');
    expect(body.items).toMatchObject([
      { site: 'elm-1', device: 'meter-1', reason: 'out-of-range', records: 6, lastId: third },
      { site: 'elm-1', device: 'meter-1', reason: 'unknown-quantity', records: 3, lastId: second },
    ]);
  });

  it('counts what is wrong with one device alone', async () => {
    const { body } = await installer.get('/v1/quarantine/reasons?device=battery-1');
    expect(body.items).toEqual([]);
    expect((await installer.get('/v1/quarantine/reasons?device=meter-1')).body.items).toHaveLength(2);
  });

  it('says how much made room for newer entries, to each company its own', async () => {
    const dropped = async (caller: typeof installer) =>
      (await caller.get('/v1/quarantine/dropped')).body.items.map(
        ({ company, dropped }: { company: string | null; dropped: number }) => [company, dropped],
      );
    expect(await dropped(operator)).toEqual([]);
    await sql`insert into quarantine (company, reason, detail, topic, payload, message_no)
      select company, 'topic', 'no topic of ours', 'x', '', n
      from unnest(array['south', null]) company, generate_series(1, 5) n`.execute(api.owner);
    for (const company of ['south', ''])
      await sql`select trim_quarantine(${company}, 3, 1000)`.execute(api.owner);
    expect(await dropped(operator)).toEqual(
      expect.arrayContaining([
        ['south', 2],
        [null, 2],
      ]),
    );
    expect(await dropped(await callerOf(api, { role: 'installer', company: 'south' }))).toEqual([
      ['south', 2],
    ]);
    expect(await dropped(installer)).toEqual([]);
  });

  it('shows the message a record came in, whichever of its records is asked for', async () => {
    for (const id of [first, second]) {
      const { body } = await installer.get(`/v1/quarantine/${id}`);
      expect(Buffer.from(body.payload, 'base64').toString()).toBe(pack);
      expect(body).toMatchObject({ payloadBytes: pack.length, replayAt: null });
    }
  });

  it('has a message judged again when an installer asks for it', async () => {
    const { status, body } = await installer.post(`/v1/quarantine/${first}/replay`);
    expect(status).toBe(202);
    expect(body.replayAt).not.toBeNull();
    const support = await callerOf(api, { role: 'support' });
    expect((await support.post(`/v1/quarantine/${first}/replay`)).status).toBe(403);
    const other = await callerOf(api, { role: 'installer', company: 'south' });
    expect((await other.post(`/v1/quarantine/${first}/replay`)).status).toBe(404);
    const gone = await operator.post(`/v1/quarantine/${third}/replay`);
    expect([gone.status, gone.body.code]).toEqual([409, 'payload-dropped']);
  });
});
