// The OpenAPI document, checked against the schema that the OpenAPI Initiative publishes (3.1).

import { Validator } from '@seriousme/openapi-schema-validator';
import { beforeEach, describe, expect, it } from 'vitest';
import { aSite, clientOf, operatorOf, startTestApi } from './test-support.ts';

const api = await startTestApi();
beforeEach(() => api.database.keepOnFailure());
const { body: document } = await clientOf(api).get('/openapi.json');

/** The routes of the contract, and those that were added for tokens, sessions, credentials and quarantine. */
const ROUTES = [
  'GET /healthz',
  'GET /metrics',
  'GET /openapi.json',
  'GET /readyz',
  'DELETE /v1/gateway-credentials/{username}',
  'GET /v1/gateway-credentials',
  'POST /v1/gateway-credentials',
  'GET /v1/incidents',
  'GET /v1/incidents/stream',
  'GET /v1/incidents/{id}',
  'POST /v1/incidents/{id}/acknowledge',
  'POST /v1/incidents/{id}/mended',
  'POST /v1/incidents/{id}/notes',
  'POST /v1/incidents/{id}/shelve',
  'POST /v1/incidents/{id}/unshelve',
  'GET /v1/quarantine',
  'GET /v1/quarantine/reasons',
  'GET /v1/quarantine/{id}',
  'POST /v1/quarantine/{id}/replay',
  'GET /v1/quarantine/dropped',
  'GET /v1/alarm-performance',
  'GET /v1/replays/{id}',
  'POST /v1/replays',
  'GET /v1/sites/{id}/wiring',
  'DELETE /v1/session',
  'GET /v1/session',
  'POST /v1/session',
  'GET /v1/sites',
  'POST /v1/sites',
  'DELETE /v1/sites/{id}',
  'GET /v1/sites/{id}',
  'PATCH /v1/sites/{id}',
  'GET /v1/sites/{id}/device-credentials',
  'POST /v1/sites/{id}/device-credentials',
  'DELETE /v1/sites/{id}/device-credentials/{username}',
  'GET /v1/sites/{id}/readings',
  'GET /v1/storm-alerts',
  'POST /v1/storm-alerts',
  'DELETE /v1/tokens/{id}',
  'GET /v1/tokens',
  'POST /v1/tokens',
];

interface Operation {
  summary?: string;
  security?: unknown[];
  parameters?: { name: string }[];
  requestBody?: { content: Record<string, { schema: object }> };
  responses: Record<string, { content?: Record<string, unknown> }>;
}

const operations = Object.entries<Record<string, Operation>>(document.paths).flatMap(([path, methods]) =>
  Object.entries(methods).map(([method, operation]) => ({
    route: `${method.toUpperCase()} ${path}`,
    operation,
  })),
);

describe('the OpenAPI document', () => {
  it('is valid, and every reference in it leads somewhere', async () => {
    const validator = new Validator();
    const { valid, errors } = await validator.validate(structuredClone(document));
    expect(errors ?? []).toEqual([]);
    expect(valid).toBe(true);
    expect(validator.version).toBe('3.1');
    for (const [, reference] of JSON.stringify(document).matchAll(
      /"\$ref":"#\/components\/schemas\/([^"]+)"/g,
    )) {
      expect(Object.keys(document.components.schemas)).toContain(reference);
    }
  });

  it('names every route of the contract', () => {
    expect(operations.map(({ route }) => route)).toEqual(expect.arrayContaining(ROUTES));
  });

  it.each(operations)('$route: says what it does, who may, and how it fails', ({ route, operation }) => {
    expect(operation.summary).toMatch(/.{5,}/);
    expect(operation.security).toHaveLength(
      / \/v1\/(?!session$)/.test(route) || route === 'GET /v1/session' ? 2 : 0,
    );
    expect(operation.responses['default']?.content).toHaveProperty('application/problem+json');
    expect(Object.keys(operation.responses).some((status) => status.startsWith('2'))).toBe(true);
  });

  it('describes the fields of a site and of the list of incidents', () => {
    const of = (wanted: string) => operations.find(({ route }) => route === wanted)?.operation;
    const body = JSON.stringify(of('POST /v1/sites')?.requestBody);
    for (const field of ['timeZone', 'mainAmps', 'capAmps', 'reservePct', 'offPeakDepthPct'])
      expect(body).toContain(field);
    expect(of('POST /v1/storm-alerts')?.requestBody?.content).toHaveProperty('application/cap+xml');
    expect(of('GET /v1/incidents')?.parameters?.map(({ name }) => name)).toEqual([
      'site',
      'kind',
      'state',
      'priority',
      'from',
      'to',
      'q',
      'limit',
      'cursor',
    ]);
  });

  it('holds: what a site is answered with has the fields it says', async () => {
    const made = await operatorOf(api).post('/v1/sites', aSite());
    const described = document.components.schemas.Site ?? document.components.schemas.SiteOutput;
    expect(Object.keys(made.body).every((field) => field in described.properties)).toBe(true);
  });
});
