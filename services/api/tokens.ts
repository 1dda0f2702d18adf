// Bearer tokens, which an operator hands out.

import { randomBytes } from 'node:crypto';
import {
  asCaller,
  ENVIRONMENT_TOKEN_NAME,
  ensureCompany,
  findSite,
  insertToken,
  listTokens,
  markTokenRevoked,
  type StoredToken,
} from '@afterwatt/store';
import { idSchema, strictObject } from '@afterwatt/wire';
import { z } from 'zod';
import { time } from './answer-fields.ts';
import type { App, Deps } from './app.ts';
import { callerOf, OPERATORS, tokenSha256 } from './callers.ts';
import { cursorOf, listOf, pageOf } from './page.ts';
import { type FieldProblem, invalidBody, notFound } from './problem.ts';
import { limit } from './query-fields.ts';
import { callerSchema } from './session.ts';

/** PostgreSQL's integer. */
const LARGEST_ID = 2 ** 31 - 1;

const label = z
  .string('must be a string')
  .regex(/^[^\p{Cc}]+$/u, { error: 'must not be empty and must not hold control characters' })
  .max(120, { error: 'must be at most 120 characters' })
  .refine((name) => name !== ENVIRONMENT_TOKEN_NAME, { error: 'must be another: this one is taken' });

const newTokenSchema = strictObject({
  name: label.describe('Whom the history names when somebody acts with this token.'),
  role: z.enum(['installer', 'homeowner', 'support', 'operator'], {
    error: 'must be installer, homeowner, support or operator',
  }),
  company: idSchema.optional().describe("An installer's company; default `default`."),
  sites: z
    .array(idSchema, 'must be a list of site ids')
    .max(50, { error: 'must be at most 50 sites' })
    .default([])
    .describe("A homeowner's sites."),
}).superRefine(({ role, company, sites }, context) => {
  const refuse = (field: string, message: string) =>
    context.addIssue({ code: 'custom', path: [field], message });
  if (role !== 'installer' && company !== undefined)
    refuse('company', 'must be left out: it is for installers');
  if (role !== 'homeowner' && sites.length > 0) refuse('sites', 'must be left out: it is for homeowners');
  if (role === 'homeowner' && sites.length === 0) refuse('sites', 'must name at least one site');
});

const tokenAnswer = callerSchema.extend({ id: z.number().int(), createdAt: time });
const newTokenAnswer = tokenAnswer.extend({ token: z.string().describe('Shown this once.') });

export function tokenRoutes(app: App, { connection }: Deps): void {
  app.route({
    method: 'POST',
    url: '/v1/tokens',
    config: { roles: OPERATORS },
    schema: {
      tags: ['tokens'],
      summary: 'Make a bearer token for a role',
      body: newTokenSchema,
      response: { 201: newTokenAnswer },
    },
    async handler(request, reply) {
      const { name, role, sites } = request.body;
      const company = role === 'installer' ? (request.body.company ?? 'default') : null;
      const token = randomBytes(32).toString('base64url');
      const stored = await asCaller(connection.db, callerOf(request), async (tx) => {
        const missing: FieldProblem[] = [];
        for (const [index, id] of sites.entries()) {
          if ((await findSite(tx, id)) !== undefined) continue;
          const detail = `sites[${index}] is "${id}": there is no such site`;
          missing.push({ in: 'body', pointer: `#/sites/${index}`, detail });
        }
        if (missing.length > 0) throw invalidBody(missing);
        if (company !== null) await ensureCompany(tx, company);
        return insertToken(tx, { name, role, company, sites, tokenSha256: tokenSha256(token) });
      });
      return reply.code(201).send({ ...answerOf(stored), token });
    },
  });

  app.route({
    method: 'GET',
    url: '/v1/tokens',
    config: { roles: OPERATORS },
    schema: {
      tags: ['tokens'],
      summary: 'List the tokens in force, oldest first, without what they are',
      querystring: strictObject({ limit, cursor: cursorOf(z.number().int().min(0).max(LARGEST_ID)) }),
      response: { 200: listOf(tokenAnswer) },
    },
    async handler(request, reply) {
      const { limit, cursor } = request.query;
      const rows = await listTokens(connection.db, { afterId: cursor, limit: limit + 1 });
      return pageOf({ request, reply, rows, limit, placeOf: ({ id }) => id, item: answerOf });
    },
  });

  app.route({
    method: 'DELETE',
    url: '/v1/tokens/:id',
    config: { roles: OPERATORS },
    schema: {
      tags: ['tokens'],
      summary: 'Revoke a token, and with it its sessions and streams',
      params: z.object({ id: z.coerce.number().int().min(1).max(LARGEST_ID) }),
      response: { 204: z.null().describe('Revoked.') },
    },
    async handler(request, reply) {
      const { id } = request.params;
      if (!(await markTokenRevoked(connection.db, id))) throw notFound(`There is no token ${id} in force.`);
      return reply.code(204).send(null);
    },
  });
}

function answerOf({ id, name, role, company, sites, createdAt }: StoredToken): z.infer<typeof tokenAnswer> {
  return { id, name, role, company, sites: [...sites], createdAt: createdAt.toISOString() };
}
