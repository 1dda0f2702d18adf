// Storm alerts over HTTP. What a CAP message means is tested with @afterwatt/storm.

import { beforeEach, describe, expect, it } from 'vitest';
import { callerOf, operatorOf, startTestApi } from './test-support.ts';

const api = await startTestApi();
const operator = operatorOf(api);
beforeEach(() => api.database.keepOnFailure());

const CAP = { 'content-type': 'application/cap+xml' };
const post = (document: string, headers: Record<string, string> = CAP) =>
  operator.post('/v1/storm-alerts', document, headers);

interface Fields {
  readonly identifier: string;
  readonly msgType?: string;
  readonly status?: string;
  readonly sentMs?: number;
  readonly expiresMs?: number;
  readonly references?: string;
}

/** A moment that does not pass, so that a message is the same whenever it is written. */
const nowMs = Date.now();

/** A CAP 1.2 message with the fields that section 3.2 asks for. */
function aMessage(fields: Fields): string {
  const { identifier, msgType = 'Alert', status = 'Actual', references } = fields;
  const sentMs = fields.sentMs ?? nowMs - 60_000;
  const expiresMs = fields.expiresMs ?? nowMs + 3_600_000;
  return `<?xml version="1.0" encoding="UTF-8"?>
<alert xmlns="urn:oasis:names:tc:emergency:cap:1.2">
  <identifier>${identifier}</identifier><sender>weather@example.org</sender><sent>${capTime(sentMs)}</sent>
  <status>${status}</status><msgType>${msgType}</msgType><scope>Public</scope>
  ${references === undefined ? '' : `<references>${references}</references>`}
  <info>
    <category>Met</category><event>Ice Storm Warning</event><urgency>Expected</urgency>
    <severity>Severe</severity><certainty>Likely</certainty><expires>${capTime(expiresMs)}</expires>
    <headline>Ice storm from Tuesday evening</headline>
    <area><areaDesc>Elm Valley</areaDesc><geocode><valueName>SAME</valueName><value>008031</value></geocode></area>
  </info>
</alert>`;
}

function capTime(ms: number): string {
  return new Date(ms).toISOString().replace(/\.\d+Z$/, '-00:00');
}

const inForce = async () =>
  (await operator.get('/v1/storm-alerts')).body.items.map((one: { identifier: string }) => one.identifier);

describe('a CAP message', () => {
  it('is taken in once, however often it comes', async () => {
    const message = aMessage({ identifier: 'storm-1' });
    const first = await post(message);
    expect(first.status).toBe(201);
    expect(first.body).toMatchObject({
      sender: 'weather@example.org',
      identifier: 'storm-1',
      status: 'Actual',
      messageType: 'Alert',
      events: [
        {
          event: 'Ice Storm Warning',
          headline: 'Ice storm from Tuesday evening',
          severity: 'Severe',
          areas: ['Elm Valley'],
          callsForCharging: true,
        },
      ],
    });
    const again = await post(message);
    expect([again.status, again.body.id]).toEqual([200, first.body.id]);
    expect(await inForce()).toEqual(['storm-1']);
  });

  it('that is broken is refused, by the place of each fault', async () => {
    const broken = aMessage({ identifier: 'bad 1' })
      .replace('Severe', 'Bad')
      .replace('<scope>Public</scope>', '');
    const { status, body } = await post(broken);
    expect(status).toBe(422);
    expect(body.errors.map((one: { pointer: string }) => one.pointer).join(' ')).toMatch(
      /identifier.*scope.*severity|severity/,
    );
    expect(body.errors.length).toBeGreaterThanOrEqual(3);
  });

  it.each([
    ['no XML', 'storm!'],
    ['another document', '<rss/>'],
    [
      'an entity',
      '<!DOCTYPE a [<!ENTITY x "y">]><alert xmlns="urn:oasis:names:tc:emergency:cap:1.2">&x;</alert>',
    ],
  ])('that is %s is refused', async (_why, document) => {
    const { status, body } = await post(document);
    expect([status, body.code]).toEqual([422, 'invalid-body']);
  });

  it('is at most 256 KiB of XML', async () => {
    expect((await post(`<alert>${'x'.repeat(256 * 1024)}</alert>`)).status).toBe(413);
    expect((await post('{}', { 'content-type': 'application/json' })).status).toBe(415);
    expect(
      (await post(aMessage({ identifier: 'storm-1' }), { 'content-type': 'text/xml' })).status,
    ).toBeLessThan(300);
  });
});

describe('alerts in force', () => {
  it('leave out what has expired, what is a test, and what was cancelled or updated', async () => {
    const sentMs = nowMs - 120_000;
    await post(aMessage({ identifier: 'old-1', sentMs: sentMs - 86_400_000, expiresMs: sentMs - 1000 }));
    await post(aMessage({ identifier: 'test-1', status: 'Test' }));
    await post(aMessage({ identifier: 'storm-2', sentMs }));
    expect(await inForce()).toEqual(['storm-1', 'storm-2']);
    const references = `weather@example.org,storm-2,${capTime(sentMs)}`;
    await post(aMessage({ identifier: 'storm-2b', msgType: 'Update', references }));
    expect((await inForce()).sort()).toEqual(['storm-1', 'storm-2b']);
    await post(
      aMessage({
        ...{ identifier: 'cancel-1', msgType: 'Cancel', sentMs: nowMs },
        references: `weather@example.org,storm-1,${(await operator.get('/v1/storm-alerts')).body.items
          .find((one: { identifier: string }) => one.identifier === 'storm-1')
          .sentAt.replace('.000Z', '-00:00')}`,
      }),
    );
    expect(await inForce()).toEqual(['storm-2b']);
  });

  it('are a list in pages, newest first', async () => {
    for (const n of [1, 2, 3, 4]) {
      await post(aMessage({ identifier: `page-${n}`, sentMs: nowMs - 600_000 + n * 1000 }));
    }
    const all = await inForce();
    const first = await operator.get('/v1/storm-alerts?limit=3');
    const rest = await operator.get(`/v1/storm-alerts?limit=3&cursor=${first.body.next}`);
    const paged = [...first.body.items, ...rest.body.items].map(
      (one: { identifier: string }) => one.identifier,
    );
    expect(paged).toEqual(all);
    expect(rest.body.next).toBeNull();
    expect(all.slice(1)).toEqual(['page-4', 'page-3', 'page-2', 'page-1']);
  });

  it('are for everyone to read and for operators to add', async () => {
    const home = await callerOf(api, { role: 'installer' });
    expect((await home.get('/v1/storm-alerts')).status).toBe(200);
    expect((await home.post('/v1/storm-alerts', aMessage({ identifier: 'x' }), CAP)).status).toBe(403);
  });
});
