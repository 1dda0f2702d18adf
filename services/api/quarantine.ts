// What devices sent that could not be accepted, and why.

import {
  asCaller,
  findQuarantined,
  listQuarantine,
  listQuarantineReasons,
  markForReplay,
  type QuarantinedRecord,
} from '@afterwatt/store';
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
    records: z.number().int().describe('Records of the message that share name and reason.'),
    replayAt: z.string().nullable().describe('When it is to be judged again, if that was asked for.'),
  })
  .meta({ id: 'QuarantinedRecord' });

const reasonAnswer = z
  .object({
    site: z.string().nullable(),
    device: z.string().nullable(),
    reason: z.string(),
    records: z.number().int(),
    lastAt: z.string(),
    lastId: z.number().int(),
  })
  .meta({ id: 'QuarantineReason' });
/** More devices than that with something refused are one fault of all of them. */
const MOST_REASONS = 1_000;

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
      response: {
        200: recordAnswer.extend({
          payload: z.string().nullable().describe('Base64; null once it was dropped for newer ones.'),
        }),
      },
    },
    async handler(request) {
      const { id } = request.params;
      const found = await asCaller(db, callerOf(request), (tx) => findQuarantined(tx, id));
      if (found === undefined) throw notFound(`There is nothing ${id} in quarantine that you may see.`);
      const { payload, ...record } = found;
      return { ...answerOf(record), payload: payload?.toString('base64') ?? null };
    },
  });

  app.route({
    method: 'GET',
    url: '/v1/quarantine/reasons',
    config: { roles: STAFF },
    schema: {
      tags: ['quarantine'],
      summary: 'Count the reasons by device, most records first',
      querystring: strictObject({ site: manyOf(z.string()) }),
      response: { 200: z.object({ items: z.array(reasonAnswer) }) },
    },
    async handler(request) {
      const filter = { sites: request.query.site, limit: MOST_REASONS };
      const found = await asCaller(db, callerOf(request), (tx) => listQuarantineReasons(tx, filter));
      return { items: found.map((one) => ({ ...one, lastAt: one.lastAt.toISOString() })) };
    },
  });

  app.route({
    method: 'POST',
    url: '/v1/quarantine/:id/replay',
    config: { roles: STAFF },
    schema: {
      tags: ['quarantine'],
      summary: 'Have its whole message judged again, by the rules and registrations of now',
      description:
        'Ingest takes the message up within seconds. What is accepted becomes readings, at the times they had; what is refused again stays.',
      params: z.object({ id: z.coerce.number().pipe(id) }),
      response: { 202: recordAnswer },
    },
    async handler(request, reply) {
      const { id } = request.params;
      const found = await asCaller(db, callerOf(request), async (tx) =>
        (await markForReplay(tx, id)) ? findQuarantined(tx, id) : undefined,
      );
      if (found === undefined) {
        throw notFound(
          `There is nothing ${id} in quarantine that you may see and that still has its payload.`,
        );
      }
      const { payload: _payload, ...record } = found;
      return reply.status(202).send(answerOf(record));
    },
  });
}

function answerOf(record: QuarantinedRecord): z.infer<typeof recordAnswer> {
  const { receivedAt, replayAt, ...rest } = record;
  return { ...rest, receivedAt: receivedAt.toISOString(), replayAt: replayAt?.toISOString() ?? null };
}
