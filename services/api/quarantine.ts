// What devices sent that could not be accepted, and why.

import { asCaller, findQuarantined, listQuarantine, type QuarantinedRecord } from '@afterwatt/store';
import { strictObject } from '@afterwatt/wire';
import { z } from 'zod';
import { time } from './answer-fields.ts';
import type { App, Deps } from './app.ts';
import { callerOf, STAFF } from './callers.ts';
import { cursorOf, listOf, pageOf } from './page.ts';
import { notFound } from './problem.ts';
import { limit, manyOf } from './query-fields.ts';

const recordAnswer = z
  .object({
    id: z.number().int(),
    receivedAt: time,
    company: z.string().nullable(),
    site: z.string().nullable(),
    device: z.string().nullable(),
    reason: z.string(),
    detail: z.string(),
    record: z
      .string()
      .nullable()
      .describe('The resolved name of the refused record; null: the whole message.'),
    topic: z.string(),
    contentType: z.string().nullable(),
    payloadBytes: z.number().int(),
  })
  .meta({ id: 'QuarantinedRecord' });

const id = z.number().int().min(1).max(Number.MAX_SAFE_INTEGER);

export function quarantineRoutes(app: App, { connection }: Deps): void {
  const { db } = connection;

  app.route({
    method: 'GET',
    url: '/v1/quarantine',
    config: { roles: STAFF },
    schema: {
      tags: ['quarantine'],
      summary: 'List what could not be accepted, newest first',
      querystring: strictObject({
        site: manyOf(z.string()),
        reason: manyOf(z.string()),
        limit,
        cursor: cursorOf(id),
      }),
      response: { 200: listOf(recordAnswer) },
    },
    async handler(request, reply) {
      const { site, reason, limit, cursor } = request.query;
      const filter = { sites: site, reasons: reason, beforeId: cursor, limit: limit + 1 };
      const rows = await asCaller(db, callerOf(request), (tx) => listQuarantine(tx, filter));
      return pageOf({ request, reply, rows, limit, placeOf: (row) => row.id, item: answerOf });
    },
  });

  app.route({
    method: 'GET',
    url: '/v1/quarantine/:id',
    config: { roles: STAFF },
    schema: {
      tags: ['quarantine'],
      summary: 'Read one, with its payload',
      params: z.object({ id: z.coerce.number().pipe(id) }),
      response: { 200: recordAnswer.extend({ payload: z.string().describe('Base64.') }) },
    },
    async handler(request) {
      const { id } = request.params;
      const found = await asCaller(db, callerOf(request), (tx) => findQuarantined(tx, id));
      if (found === undefined) throw notFound(`There is nothing ${id} in quarantine that you may see.`);
      const { payload, ...record } = found;
      return { ...answerOf(record), payload: payload.toString('base64') };
    },
  });
}

function answerOf(record: QuarantinedRecord): z.infer<typeof recordAnswer> {
  return { ...record, receivedAt: record.receivedAt.toISOString() };
}
