// Who calls: a bearer token, or the console's session cookie, which holds one. Every route under /v1 says which
// roles may use it; a route that says nothing does not start.

import { createHash } from 'node:crypto';
import { type CallerRole, findCaller, type NamedCaller } from '@afterwatt/store';
import type { FastifyRequest } from 'fastify';
import type { App, Deps } from './app.ts';
import { Problem } from './problem.ts';

export const SESSION_COOKIE = 'afterwatt_session';

export const EVERYONE: readonly CallerRole[] = ['installer', 'homeowner', 'support', 'operator'];
export const STAFF: readonly CallerRole[] = ['installer', 'support', 'operator'];
export const INSTALLERS: readonly CallerRole[] = ['installer', 'operator'];
export const OPERATORS: readonly CallerRole[] = ['operator'];

declare module 'fastify' {
  interface FastifyContextConfig {
    /** Who may use the route; 'anyone' needs no token. */
    roles?: readonly CallerRole[] | 'anyone';
  }
  interface FastifyRequest {
    caller: NamedCaller | null;
  }
}

/** The caller of a route that is not for anyone. */
export function callerOf(request: FastifyRequest): NamedCaller {
  if (request.caller === null) throw new Error(`${request.routeOptions.url} has no caller`);
  return request.caller;
}

export function tokenSha256(token: string): Buffer {
  return createHash('sha256').update(token).digest();
}

/** Finds who holds a token. @throws Problem 401, or 429 after too many failures from one address */
export type SignIn = (request: FastifyRequest, token: string) => Promise<NamedCaller>;

/** Makes every route ask who calls. Needs the cookie and the rate limit plugins. */
export function knowCallers(app: App, { connection, config }: Deps): SignIn {
  app.decorateRequest('caller', null);
  app.addHook('onRoute', (route) => {
    if (route.url.startsWith('/v1/') && route.config?.roles === undefined) {
      throw new Error(`${String(route.method)} ${route.url} does not say who may use it`);
    }
  });
  const callsOfToken = app.createRateLimit({
    // Operators register sites by the thousand.
    max: (request) => config.requestsPerMinute * (callerOf(request).role === 'operator' ? 10 : 1),
    timeWindow: '1 minute',
    keyGenerator: (request) => `token ${callerOf(request).id}`,
  });
  const failuresOfAddress = app.createRateLimit({
    max: config.failedSignInsPerMinute,
    timeWindow: '1 minute',
    keyGenerator: (request) => `address ${request.ip}`,
  });

  async function limitTo(check: typeof callsOfToken, request: FastifyRequest): Promise<void> {
    const state = await check(request);
    if (!state.isAllowed && state.isExceeded) throw tooMany(state.ttlInSeconds);
  }

  const signIn: SignIn = async (request, token) => {
    const caller = await findCaller(connection.db, tokenSha256(token));
    if (caller !== undefined) return caller;
    // Those who hold a token are let in all the same: many people may share an address.
    await limitTo(failuresOfAddress, request);
    throw unauthorized('The token is not known, or no longer.', 'error="invalid_token"');
  };

  app.addHook('onRequest', async (request) => {
    const { roles } = request.routeOptions.config;
    if (roles === undefined || roles === 'anyone') return;
    const bearer = bearerOf(request);
    const token = bearer ?? request.cookies[SESSION_COOKIE];
    if (token === undefined) throw unauthorized('A bearer token is needed.');
    request.caller = await signIn(request, token);
    await limitTo(callsOfToken, request);
    if (bearer === undefined && changes(request) && originOf(request) !== 'same') throw foreignPage();
    if (!roles.includes(request.caller.role)) {
      const detail = `The role ${request.caller.role} may not do this; it is for ${roles.join(', ')}.`;
      throw new Problem({ status: 403, code: 'role-not-allowed', detail });
    }
  });
  return signIn;
}

function bearerOf(request: FastifyRequest): string | undefined {
  const { authorization } = request.headers;
  if (authorization === undefined) return undefined;
  const token = /^Bearer +([\w.~+/-]+=*) *$/i.exec(authorization)?.[1];
  if (token === undefined) {
    throw unauthorized('The Authorization header must be "Bearer" and a token.', 'error="invalid_request"');
  }
  return token;
}

function changes(request: FastifyRequest): boolean {
  return request.method !== 'GET' && request.method !== 'HEAD';
}

/** Where a browser says that the request comes from; 'unknown' when it says nothing. */
export function originOf(request: FastifyRequest): 'same' | 'foreign' | 'unknown' {
  const site = request.headers['sec-fetch-site'];
  if (site !== undefined) return site === 'same-origin' ? 'same' : 'foreign';
  const { origin } = request.headers;
  if (origin === undefined) return 'unknown';
  return URL.canParse(origin) && new URL(origin).host === request.host ? 'same' : 'foreign';
}

export function foreignPage(): Problem {
  const detail = 'A session may be used by pages of this very site alone.';
  return new Problem({ status: 403, code: 'foreign-origin', detail });
}

function unauthorized(detail: string, parameters?: string): Problem {
  const challenge = ['Bearer realm="afterwatt"', ...(parameters === undefined ? [] : [parameters])].join(
    ', ',
  );
  return new Problem({
    status: 401,
    code: 'unauthorized',
    detail,
    headers: { 'www-authenticate': challenge },
  });
}

function tooMany(seconds: number): Problem {
  const detail = `Too many requests. Try again in ${seconds} s.`;
  return new Problem({
    status: 429,
    code: 'too-many-requests',
    detail,
    headers: { 'retry-after': String(seconds) },
  });
}
