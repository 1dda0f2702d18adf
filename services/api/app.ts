import type { IncomingMessage, ServerResponse } from 'node:http';
import type { Logger } from '@afterwatt/runtime';
import type { Connection } from '@afterwatt/store';
import type { FastifyBaseLogger, FastifyInstance, RawServerDefault } from 'fastify';
import type { ZodTypeProvider } from 'fastify-type-provider-zod';
import type { ApiConfig } from './config.ts';
import type { ApiMetrics } from './metrics.ts';

/** The HTTP server, as every group of routes gets it. */
export type App = FastifyInstance<
  RawServerDefault,
  IncomingMessage,
  ServerResponse,
  FastifyBaseLogger,
  ZodTypeProvider
>;

/** What the routes work with. */
export interface Deps {
  readonly connection: Connection;
  readonly config: ApiConfig;
  readonly log: Logger;
  readonly metrics: ApiMetrics;
}
