// For the operator and for what watches the processes. No token: nothing here tells of a site or a person.

import { isTransient } from '@afterwatt/runtime';
import { checkSchema, listWorkerMetrics, readProgress, SchemaMismatch, SHARD_COUNT } from '@afterwatt/store';
import { Registry } from 'prom-client';
import { z } from 'zod';
import type { App, Deps } from './app.ts';
import { metricsText } from './metrics.ts';
import { Problem } from './problem.ts';

/** An ingest says that it is up every few seconds. */
const PULSE_FRESH_S = 20;
/** However many ask, the database is asked this often. */
const ASK_AGAIN_MS = 1_000;

export function healthRoutes(app: App, { connection, metrics }: Deps): void {
  const { db } = connection;
  let asked: { readonly atMs: number; readonly missing: Promise<string[]> } | undefined;

  /** What keeps readings from being taken in and judged; empty when nothing does. */
  async function findMissing(): Promise<string[]> {
    try {
      await checkSchema(db);
      const { pulseAgeSeconds, rollUpLagSeconds, shardsHeld } = await readProgress(db);
      metrics.shardsHeld.set(shardsHeld);
      metrics.rollUpLag.set(rollUpLagSeconds);
      if (pulseAgeSeconds !== null) metrics.pulseAge.set(pulseAgeSeconds);
      const missing: string[] = [];
      if (pulseAgeSeconds === null) missing.push('ingest: it has never said that it takes readings');
      else if (pulseAgeSeconds >= PULSE_FRESH_S) {
        missing.push(`ingest: it last said that it takes readings ${Math.round(pulseAgeSeconds)} s ago`);
      }
      if (shardsHeld < SHARD_COUNT) {
        missing.push(`rules: ${SHARD_COUNT - shardsHeld} of ${SHARD_COUNT} shards are watched by nobody`);
      }
      return missing;
    } catch (error) {
      if (error instanceof SchemaMismatch) return [`schema: ${error.message}`];
      if (isTransient(error)) return ['database: it does not answer'];
      throw error;
    }
  }

  app.route({
    method: 'GET',
    url: '/healthz',
    schema: {
      tags: ['health'],
      summary: 'This process answers',
      response: { 200: z.object({ status: z.literal('up') }) },
    },
    handler: async () => ({ status: 'up' }) as const,
  });

  app.route({
    method: 'GET',
    url: '/readyz',
    schema: {
      tags: ['health'],
      summary: 'Readings are being taken in and judged; 503 says what is missing',
      response: { 200: z.object({ status: z.literal('ready') }) },
    },
    async handler() {
      if (asked === undefined || Date.now() - asked.atMs >= ASK_AGAIN_MS) {
        asked = { atMs: Date.now(), missing: findMissing() };
      }
      const missing = await asked.missing;
      if (missing.length === 0) return { status: 'ready' } as const;
      throw new Problem({
        status: 503,
        code: 'not-ready',
        detail: `${missing.join('; ')}.`,
        extension: { missing },
      });
    },
  });

  app.route({
    method: 'GET',
    url: '/metrics',
    schema: {
      tags: ['health'],
      summary: 'Metrics of all processes that are up, as OpenMetrics',
      response: {
        200: {
          description: 'OpenMetrics 1.0.',
          content: { 'application/openmetrics-text': { schema: z.string() } },
        },
      },
    },
    async handler(_request, reply) {
      await findMissing();
      const others = await listWorkerMetrics(db).catch((error: unknown) => {
        if (isTransient(error)) return [];
        throw error;
      });
      const text = await metricsText(metrics.registry, others);
      return reply.type(Registry.OPENMETRICS_CONTENT_TYPE).send(text);
    },
  });
}
