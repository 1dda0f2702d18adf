// Signing in: tokens, the console's session, and what keeps both safe.

import { createLogger } from '@afterwatt/runtime';
import { sql } from 'kysely';
import { beforeEach, describe, expect, it } from 'vitest';
import { readConfig } from './config.ts';
import { start } from './start.ts';
import { aSite, callerOf, clientOf, OPERATOR_TOKEN, operatorOf, startTestApi } from './test-support.ts';

const api = await startTestApi({ failedSignInsPerMinute: 5, requestsPerMinute: 40 });
const operator = operatorOf(api);
beforeEach(() => api.database.keepOnFailure());
await operator.post('/v1/sites', aSite({ id: 'elm-1' }));

describe('tokens', () => {
  it('are shown once and stored as a hash', async () => {
    const made = await operator.post('/v1/tokens', { name: 'Robin', role: 'installer', company: 'north' });
    expect(made.status).toBe(201);
    expect(made.body).toMatchObject({ name: 'Robin', role: 'installer', company: 'north', sites: [] });
    // 32 random bytes.
    expect(Buffer.from(made.body.token, 'base64url')).toHaveLength(32);
    const listed = await operator.get('/v1/tokens');
    expect(listed.text).not.toContain(made.body.token);
    expect(listed.body.items.map(({ name }: { name: string }) => name)).toEqual(['operator', 'Robin']);
    const stored = await sql<{ row: string }>`select row_to_json(t)::text as row from api_token t`.execute(
      api.owner,
    );
    expect(stored.rows.map(({ row }) => row).join()).not.toContain(made.body.token);
  });

  it('end when they are revoked', async () => {
    const made = await operator.post('/v1/tokens', { name: 'leaving', role: 'support' });
    const caller = clientOf(api, made.body.token);
    expect((await caller.get('/v1/session')).body).toEqual({
      name: 'leaving',
      role: 'support',
      company: null,
      sites: [],
    });
    expect((await operator.delete(`/v1/tokens/${made.body.id}`)).status).toBe(204);
    expect((await caller.get('/v1/session')).status).toBe(401);
    expect((await operator.delete(`/v1/tokens/${made.body.id}`)).status).toBe(404);
  });

  it.each([
    [{ role: 'installer' }, ['#/name']],
    [{ name: 'x', role: 'owner' }, ['#/role']],
    [{ name: 'x', role: 'homeowner' }, ['#/sites']],
    [{ name: 'x', role: 'homeowner', sites: ['elm-1', 'no-such-site'] }, ['#/sites/1']],
    [{ name: 'x', role: 'support', company: 'north', sites: ['elm-1'] }, ['#/company', '#/sites']],
    [{ name: 'operator', role: 'operator' }, ['#/name']],
  ])('%j is refused', async (body, pointers) => {
    const answer = await operator.post('/v1/tokens', body);
    expect(answer.status).toBe(422);
    expect(answer.body.errors.map(({ pointer }: { pointer: string }) => pointer)).toEqual(pointers);
  });

  it('of the environment is the one that the newest start names, and no earlier one', async () => {
    const config = readConfig({
      DATABASE_URL: api.database.url,
      HTTP_PORT: '0',
      AFTERWATT_OPERATOR_TOKEN: 'the-token-of-a-later-start',
    });
    const later = await start(config, createLogger('api', 'fatal'));
    expect((await clientOf(later, 'the-token-of-a-later-start').get('/v1/session')).body.role).toBe(
      'operator',
    );
    expect((await clientOf(later, OPERATOR_TOKEN).get('/v1/session')).status).toBe(401);
    await later.stop();
    const again = await start({ ...config, operatorToken: OPERATOR_TOKEN }, createLogger('api', 'fatal'));
    expect((await operator.get('/v1/session')).status).toBe(200);
    await again.stop();
  });
});

describe("the console's session", () => {
  const signIn = (headers: Record<string, string> = {}) =>
    clientOf(api).post('/v1/session', { token: OPERATOR_TOKEN }, headers);
  const cookieOf = async () => (await signIn()).headers.get('set-cookie')?.split(';')[0] ?? '';

  it('is a cookie that no script reads and no foreign page sends', async () => {
    const { status, headers, body } = await signIn();
    expect([status, body.role]).toEqual([200, 'operator']);
    const cookie = headers.get('set-cookie') ?? '';
    expect(cookie).toMatch(/^afterwatt_session=/);
    for (const part of ['HttpOnly', 'SameSite=Strict', 'Path=/', 'Max-Age=2592000'])
      expect(cookie).toContain(part);
    expect(cookie).not.toContain('Secure');
    const proxied = await signIn({ 'x-forwarded-proto': 'https' });
    expect(proxied.headers.get('set-cookie')).toContain('Secure');
  });

  it('reads like a bearer token does', async () => {
    const cookie = await cookieOf();
    expect((await clientOf(api).get('/v1/sites', { cookie })).body.items).toHaveLength(1);
  });

  it.each([
    [{ 'sec-fetch-site': 'same-origin' }, 200],
    [{ 'sec-fetch-site': 'same-site' }, 403],
    [{ 'sec-fetch-site': 'cross-site' }, 403],
    [{ origin: 'the own' }, 200],
    [{ origin: 'https://elsewhere.example' }, 403],
    [{ origin: 'null' }, 403],
    [{}, 403],
  ])('changes something with %j: %i', async (given, status) => {
    const cookie = await cookieOf();
    const headers = {
      cookie,
      ...given,
      ...('origin' in given && given.origin === 'the own' ? { origin: api.url } : {}),
    };
    const answer = await clientOf(api).post('/v1/gateway-credentials', {}, headers);
    expect(answer.status).toBe(status === 200 ? 201 : status);
    if (status === 403) expect(answer.body.code).toBe('foreign-origin');
  });

  it('is not begun by a foreign page', async () => {
    expect((await signIn({ origin: 'https://elsewhere.example' })).status).toBe(403);
    expect((await signIn({ 'sec-fetch-site': 'cross-site' })).status).toBe(403);
  });

  it('ends at signing out', async () => {
    const response = await clientOf(api).delete('/v1/session');
    expect(response.status).toBe(204);
    expect(response.headers.get('set-cookie')).toMatch(
      /^afterwatt_session=;.*(Max-Age=0|Expires=Thu, 01 Jan 1970)/,
    );
  });
});

describe('limits', () => {
  it('a token may ask only so often a minute', async () => {
    const busy = await callerOf(api, { role: 'support' });
    const answers = await Promise.all([...Array(45)].map(() => busy.get('/v1/session')));
    const refused = answers.filter(({ status }) => status === 429);
    expect(refused).toHaveLength(5);
    expect(refused[0]?.body).toMatchObject({ status: 429, code: 'too-many-requests' });
    expect(Number(refused[0]?.headers.get('retry-after'))).toBeGreaterThan(0);
    // Another's is not used up by it.
    const other = await callerOf(api, { role: 'support' });
    expect((await other.get('/v1/session')).status).toBe(200);
  });

  it('an address may fail to sign in only so often a minute', async () => {
    const statuses: number[] = [];
    for (let n = 0; n < 8; n++) statuses.push((await clientOf(api, `guess-${n}`).get('/v1/sites')).status);
    expect(statuses).toContain(401);
    expect(statuses.at(-1)).toBe(429);
    expect((await clientOf(api).post('/v1/session', { token: 'guess' })).status).toBe(429);
    // Who holds a token is let in all the same: many people may share an address.
    const other = await callerOf(api, { role: 'support' });
    expect((await other.get('/v1/session')).status).toBe(200);
  });
});
