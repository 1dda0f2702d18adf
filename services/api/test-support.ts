// A running API over a database of its own, callers of every role, and rows as ingest and rules write them.

import { randomUUID } from 'node:crypto';
import { createLogger } from '@afterwatt/runtime';
import type { Database } from '@afterwatt/store';
import { sql } from 'kysely';
import { afterAll } from 'vitest';
import { createTestDatabase, type TestDatabase } from '../../test/support/database.ts';
import { type ApiConfig, readConfig } from './config.ts';
import { type StartedApi, start } from './start.ts';

export const OPERATOR_TOKEN = 'operator-token-of-the-test-run';

export interface TestApi extends StartedApi {
  readonly database: TestDatabase;
  /** As the schema's owner, whom no policy binds. */
  readonly owner: Database;
}

/** @param through gives the way to the database, where it is not the direct one */
export async function startTestApi(
  overrides: Partial<ApiConfig> = {},
  through: (url: string) => Promise<string> = async (url) => url,
): Promise<TestApi> {
  const database = await createTestDatabase();
  const config = readConfig({
    DATABASE_URL: await through(database.url),
    HTTP_PORT: '0',
    AFTERWATT_OPERATOR_TOKEN: OPERATOR_TOKEN,
  });
  const started = await start({ ...config, ...overrides }, createLogger('api', 'fatal'));
  afterAll(() => started.stop());
  return { ...started, database, owner: database.connect().db };
}

/** One caller of the API. */
export interface Client {
  get(path: string, headers?: Record<string, string>): Promise<Answer>;
  post(path: string, body?: unknown, headers?: Record<string, string>): Promise<Answer>;
  patch(path: string, body: unknown): Promise<Answer>;
  delete(path: string): Promise<Answer>;
}

export interface Answer {
  readonly status: number;
  readonly headers: Headers;
  readonly text: string;
  // biome-ignore lint/suspicious/noExplicitAny: what is in it is what the tests ask
  readonly body: any;
}

/** @param token none for a caller who does not say who it is */
export function clientOf(api: StartedApi, token?: string): Client {
  const authorization: Record<string, string> =
    token === undefined ? {} : { authorization: `Bearer ${token}` };
  const send = async (method: string, path: string, init: RequestInit = {}): Promise<Answer> => {
    const headers = { ...authorization, ...init.headers };
    const response = await fetch(api.url + path, { ...init, method, headers });
    const text = await response.text();
    const isJson = /json/.test(response.headers.get('content-type') ?? '');
    return {
      status: response.status,
      headers: response.headers,
      text,
      body: isJson && text !== '' ? JSON.parse(text) : undefined,
    };
  };
  const json = (body: unknown, headers: Record<string, string> = {}): RequestInit =>
    body === undefined
      ? { headers }
      : {
          headers: { 'content-type': 'application/json', ...headers },
          body: typeof body === 'string' ? body : JSON.stringify(body),
        };
  return {
    get: (path, headers = {}) => send('GET', path, { headers }),
    post: (path, body, headers) => send('POST', path, json(body, headers)),
    patch: (path, body) => send('PATCH', path, json(body)),
    delete: (path) => send('DELETE', path),
  };
}

export function operatorOf(api: StartedApi): Client {
  return clientOf(api, OPERATOR_TOKEN);
}

/** Has the operator make a token, and gives a caller who holds it. */
export async function callerOf(
  api: StartedApi,
  token: { role: string; name?: string; company?: string; sites?: string[] },
): Promise<Client> {
  const made = await operatorOf(api).post('/v1/tokens', { name: `a ${token.role}`, ...token });
  if (made.status !== 201) throw new Error(made.text);
  return clientOf(api, made.body.token);
}

/** A registration with an inlet on L1 and a battery behind it. */
export function aSite(fields: Record<string, unknown> = {}) {
  return {
    id: 'cedar-lane-4',
    name: 'Cedar Lane 4',
    timeZone: 'America/Denver',
    batteries: [{ device: 'battery-1' }],
    ...fields,
  };
}

export interface IncidentRow {
  readonly site: string;
  readonly company?: string;
  readonly kind?: string;
  readonly subject?: string;
  readonly priority?: string;
  readonly state?: 'active' | 'cleared';
  readonly onsetAt?: string;
  readonly detectedAt?: string;
  readonly raisedAt?: string;
  readonly clearedAt?: string | null;
  readonly headline?: string;
  readonly homeowner?: string | null;
}

/** An incident as the rules write it, with its transition. */
export async function insertIncidentRow(owner: Database, row: IncidentRow): Promise<string> {
  const id = randomUUID();
  const detectedAt = row.detectedAt ?? '2026-03-01T12:00:00Z';
  const evidence = {
    from: '2026-03-01T11:00:00Z',
    to: detectedAt,
    series: ['meter-1 l2.p', 'meter-1 l2.i'],
    figures: [{ label: 'Power on L2', value: -840, unit: 'W', source: 'meter-1 l2.p' }],
  };
  await owner.transaction().execute(async (tx) => {
    await sql`insert into incident (id, company, site, site_no, kind, subject, priority, state, onset_at, detected_at,
        raised_at, cleared_at, late, chattering, confidence, headline, explanation, steps, caution, homeowner, facts, evidence)
      values (${id}, ${row.company ?? 'default'}, ${row.site},
        (select no from site where id = ${row.site} and deleted_at is null),
        ${row.kind ?? 'service-ct-reversed'}, ${row.subject ?? id}, ${row.priority ?? 'medium'},
        ${row.state ?? 'active'}, ${row.onsetAt ?? detectedAt}, ${detectedAt},
        coalesce(${row.raisedAt ?? null}::timestamptz, clock_timestamp()), ${row.clearedAt ?? null}, false, false, 0.99,
        ${row.headline ?? 'The service CT on L2 is clipped on backwards.'},
        'Power on L2 flows out of the house while the battery charges.', array['Turn the clamp on L2 round.'],
        'Work inside a panel is for a licensed electrician under the local code.', ${row.homeowner ?? null},
        '{}', ${JSON.stringify(evidence)})`.execute(tx);
    await sql`insert into incident_transition (incident_id, type, event_at, by)
      values (${id}, 'raised', ${detectedAt}, 'detection')`.execute(tx);
    await sql`select pg_notify('incident', '')`.execute(tx);
  });
  return id;
}
