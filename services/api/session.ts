// The console's session: a cookie that holds the token. HttpOnly, so no script reads it; SameSite=Strict, so no
// foreign page makes a browser send it.

import type { NamedCaller, StoredToken } from '@afterwatt/store';
import { strictObject } from '@afterwatt/wire';
import type { FastifyRequest } from 'fastify';
import { z } from 'zod';
import type { App } from './app.ts';
import { callerOf, EVERYONE, foreignPage, originOf, SESSION_COOKIE, type SignIn } from './callers.ts';

/** A phone in a van stays signed in for a month. */
const LASTS_S = 30 * 86_400;

export const callerSchema = z.object({
  name: z.string(),
  role: z.enum(['installer', 'homeowner', 'support', 'operator']),
  company: z.string().nullable().describe('An installer has one.'),
  sites: z.array(z.string()).describe('The sites of a homeowner.'),
});

export function sessionRoutes(app: App, signIn: SignIn): void {
  app.route({
    method: 'POST',
    url: '/v1/session',
    config: { roles: 'anyone' },
    schema: {
      tags: ['session'],
      summary: 'Sign the console in: sets the session cookie',
      body: strictObject({ token: z.string('must be a token').max(500) }),
      response: { 200: callerSchema },
    },
    async handler(request, reply) {
      if (originOf(request) === 'foreign') throw foreignPage();
      const caller = await signIn(request, request.body.token);
      reply.setCookie(SESSION_COOKIE, request.body.token, { ...cookieOptions(request), maxAge: LASTS_S });
      return answerOf(caller);
    },
  });

  app.route({
    method: 'GET',
    url: '/v1/session',
    config: { roles: EVERYONE },
    schema: { tags: ['session'], summary: 'Who calls', response: { 200: callerSchema } },
    handler: async (request) => answerOf(callerOf(request)),
  });

  app.route({
    method: 'DELETE',
    url: '/v1/session',
    config: { roles: 'anyone' },
    schema: {
      tags: ['session'],
      summary: 'Sign out: clears the session cookie',
      response: { 204: z.null().describe('Signed out.') },
    },
    async handler(request, reply) {
      if (originOf(request) === 'foreign') throw foreignPage();
      return reply.clearCookie(SESSION_COOKIE, cookieOptions(request)).code(204).send(null);
    },
  });
}

function answerOf({ name, role, company, sites }: NamedCaller | StoredToken): z.infer<typeof callerSchema> {
  return { name, role, company, sites: [...sites] };
}

function cookieOptions(request: FastifyRequest) {
  return { path: '/', httpOnly: true, sameSite: 'strict', secure: request.protocol === 'https' } as const;
}
