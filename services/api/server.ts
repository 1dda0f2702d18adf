// The HTTP server without a port: plugins, who calls, the routes, and what becomes of errors.

import { randomUUID } from 'node:crypto';
import cookie from '@fastify/cookie';
import rateLimit from '@fastify/rate-limit';
import fastify, {
  type FastifyBaseLogger,
  type FastifyReply,
  type FastifyRequest,
  LogController,
} from 'fastify';
import { serializerCompiler, type ZodTypeProvider } from 'fastify-type-provider-zod';
import { $ZodType, safeParse } from 'zod/v4/core';
import { alarmPerformanceRoutes } from './alarm-performance.ts';
import type { App, Deps } from './app.ts';
import { knowCallers } from './callers.ts';
import { consolePages } from './console-pages.ts';
import { credentialRoutes } from './credentials.ts';
import { deviceStateRoutes } from './device-states.ts';
import { fieldProblems } from './field-problems.ts';
import { healthRoutes } from './health.ts';
import type { IncidentBell } from './incident-bell.ts';
import { incidentStreamRoutes } from './incident-stream.ts';
import { incidentRoutes } from './incidents.ts';
import { takeJsonBodies } from './json-body.ts';
import { describeRoutes, openApiRoute } from './openapi.ts';
import {
  invalidBody,
  invalidQuery,
  notFound,
  PROBLEM_TYPE,
  Problem,
  problemDocument,
  problemOf,
} from './problem.ts';
import { quarantineRoutes } from './quarantine.ts';
import { readingRoutes } from './readings.ts';
import { replayRoutes } from './replays.ts';
import { sessionRoutes } from './session.ts';
import { siteRoutes } from './sites.ts';
import { stormAlertRoutes } from './storm-alerts.ts';
import { tokenRoutes } from './tokens.ts';
import { wiringRoutes } from './wiring.ts';

const LARGEST_BODY = 1024 * 1024;

export async function buildServer(deps: Deps, bell: IncidentBell): Promise<App> {
  const loggerInstance: FastifyBaseLogger = deps.log;
  const app: App = fastify({
    loggerInstance,
    // observeRequests does: object first, and no line a request above debug.
    logController: new LogController({ disableRequestLogging: true }),
    genReqId: () => randomUUID(),
    bodyLimit: LARGEST_BODY,
    // A proxy on this machine may say who the client is and whether it came over TLS; nobody else may.
    trustProxy: 'loopback',
    routerOptions: { maxParamLength: 200 },
    frameworkErrors: (error, request, reply) => answerProblem(problemOf(error), request, reply),
  }).withTypeProvider<ZodTypeProvider>();

  app.setValidatorCompiler(({ schema, httpPart }) => validatorFor(schema, httpPart));
  app.setSerializerCompiler(serializerCompiler);
  answerErrors(app, deps);
  answerUnknownPaths(app);
  observeRequests(app, deps);
  endConnectionsOnClose(app);
  takeJsonBodies(app);

  await app.register(cookie);
  await app.register(rateLimit, { global: false });
  await describeRoutes(app);
  const signIn = knowCallers(app, deps);

  sessionRoutes(app, signIn);
  siteRoutes(app, deps);
  credentialRoutes(app, deps);
  incidentStreamRoutes(app, deps, bell);
  incidentRoutes(app, deps);
  readingRoutes(app, deps);
  deviceStateRoutes(app, deps);
  await stormAlertRoutes(app, deps);
  quarantineRoutes(app, deps);
  wiringRoutes(app, deps);
  replayRoutes(app, deps);
  alarmPerformanceRoutes(app, deps);
  tokenRoutes(app, deps);
  healthRoutes(app, deps);
  openApiRoute(app);
  await consolePages(app);
  return app;
}

function validatorFor(schema: unknown, httpPart: string | undefined) {
  if (!(schema instanceof $ZodType)) throw new Error('a route has a schema that is not zod');
  return (given: unknown) => {
    const parsed = safeParse(schema, given);
    if (parsed.success) return { value: parsed.data };
    switch (httpPart) {
      case 'body':
        return { error: invalidBody(fieldProblems(parsed.error, given, 'body')) };
      case 'params':
        // A name that cannot be one is the name of nothing.
        return { error: notFound('There is nothing under this path that you may see.') };
      default:
        return { error: invalidQuery(fieldProblems(parsed.error, given, 'query')) };
    }
  };
}

function answerErrors(app: App, { log }: Deps): void {
  app.setErrorHandler((error, request, reply) => {
    const problem = problemOf(error);
    if (problem.status >= 500 && problem !== error) {
      const level = problem.status === 503 ? 'warn' : 'error';
      log[level]({ err: error, request: request.id, route: request.routeOptions.url }, 'a request failed');
    }
    return answerProblem(problem, request, reply);
  });
}

function answerProblem(problem: Problem, request: FastifyRequest, reply: FastifyReply): FastifyReply {
  return reply
    .code(problem.status)
    .headers(problem.headers)
    .type(PROBLEM_TYPE)
    .send(JSON.stringify(problemDocument(problem, request.id)));
}

/** 405 with Allow where the path is known and the method is not (RFC 9110 section 15.5.6), else 404. */
function answerUnknownPaths(app: App): void {
  const methods = new Map<string, Set<string>>();
  app.addHook('onRoute', ({ url, method }) => {
    const known = methods.get(url) ?? new Set();
    for (const one of [method].flat()) known.add(one);
    methods.set(url, known);
  });
  app.setNotFoundHandler((request, reply) => {
    const path = request.url.split('?', 1)[0] ?? '';
    const pattern = [...methods.keys()].find((url) => matches(url, path));
    if (pattern === undefined) return answerProblem(notFound(`There is nothing at ${path}.`), request, reply);
    const allow = [...(methods.get(pattern) ?? [])].sort().join(', ');
    const detail = `${request.method} is not possible here, only ${allow}.`;
    const problem = new Problem({ status: 405, code: 'method-not-allowed', detail, headers: { allow } });
    return answerProblem(problem, request, reply);
  });
}

/** @param pattern a route's path, where ':name' stands for one segment */
function matches(pattern: string, path: string): boolean {
  const wanted = pattern.split('/');
  const given = path.split('/');
  return (
    wanted.length === given.length &&
    wanted.every((segment, index) => segment.startsWith(':') || segment === given[index])
  );
}

/**
 * While it stops, the requests under way are answered; then every connection is ended. Node would wait for those
 * that a browser has opened ahead and not yet used.
 */
function endConnectionsOnClose(app: App): void {
  let underWay = 0;
  let closing = false;
  const endIfIdle = () => {
    if (closing && underWay === 0) app.server.closeAllConnections();
  };
  app.addHook('onRequest', async (_request, reply) => {
    underWay++;
    reply.raw.once('close', () => {
      underWay--;
      endIfIdle();
    });
  });
  app.addHook('preClose', async () => {
    closing = true;
    setImmediate(endIfIdle);
  });
}

function observeRequests(app: App, { metrics }: Deps): void {
  app.addHook('onSend', async (_request, reply) => {
    reply.header('x-content-type-options', 'nosniff');
    reply.header('referrer-policy', 'no-referrer');
    if (!reply.hasHeader('cache-control')) reply.header('cache-control', 'no-store');
  });
  app.addHook('onResponse', async (request, reply) => {
    const route = request.routeOptions.url ?? 'unknown';
    metrics.requests.observe(
      { method: request.method, route, status: reply.statusCode },
      reply.elapsedTime / 1000,
    );
    request.log.debug(
      { route, status: reply.statusCode, ms: Math.round(reply.elapsedTime), caller: request.caller?.id },
      'answered',
    );
  });
}
