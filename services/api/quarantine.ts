// What devices sent that could not be accepted, and why; and having it judged again.

import {
  asCaller,
  findQuarantined,
  listQuarantine,
  listQuarantineDropped,
  listQuarantineReasons,
  markForReplay,
  type QuarantinedRecord,
} from '@afterwatt/store';
import { strictObject } from '@afterwatt/wire';
import { z } from 'zod';
import { time } from './answer-fields.ts';
import type { App, Deps } from './app.ts';
import { callerOf, INSTALLERS, STAFF } from './callers.ts';
import { cursorOf, listOf, pageOf } from './page.ts';
import { notFound, Problem } from './problem.ts';
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
      .describe('The resolved name of the refused records; null: the whole message.'),
    records: z
      .number()
      .int()
      .describe('How many of the message were refused under this name for this reason.'),
    topic: z.string(),
    contentType: z.string().nullable(),
    payloadBytes: z.number().int(),
    replayAt: time.nullable().describe('When it is to be judged again, if somebody asked for that.'),
  })
  .meta({ id: 'QuarantinedRecord' });

const reasonAnswer = z.object({
  site: z.string().nullable(),
  device: z.string().nullable(),
  reason: z.string(),
  records: z.number().int(),
  lastAt: time,
  lastId: z.number().int().describe('The newest of them, to read what is wrong.'),
});

const droppedAnswer = z.object({
  company: z.string().nullable().describe('Null: of no known company.'),
  dropped: z.number().int().describe('Entries that made room for newer ones, since the first start.'),
  lastAt: time,
});

const id = z.number().int().min(1).max(Number.MAX_SAFE_INTEGER);
const recordParams = z.object({ id: z.coerce.number().pipe(id) });
const text = z.string().regex(/^\P{Cc}*$/u, { error: 'must not hold control characters' });

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
        site: manyOf(text),
        device: manyOf(text),
        reason: manyOf(text),
        limit,
        cursor: cursorOf(id),
      }),
      response: { 200: listOf(recordAnswer) },
    },
    async handler(request, reply) {
      const { site, device, reason, limit, cursor } = request.query;
      const filter = { sites: site, devices: device, reasons: reason, beforeId: cursor, limit: limit + 1 };
      const rows = await asCaller(db, callerOf(request), (tx) => listQuarantine(tx, filter));
      return pageOf({ request, reply, rows, limit, placeOf: (row) => row.id, item: answerOf });
    },
  });

  app.route({
    method: 'GET',
    url: '/v1/quarantine/reasons',
    config: { roles: STAFF },
    schema: {
      tags: ['quarantine'],
      summary: 'What is wrong with whom: reasons counted per device, most records first',
      querystring: strictObject({ site: manyOf(text), device: manyOf(text), limit }),
      response: { 200: listOf(reasonAnswer) },
    },
    async handler(request) {
      const { site, device, limit } = request.query;
      const rows = await asCaller(db, callerOf(request), (tx) =>
        listQuarantineReasons(tx, { sites: site, devices: device, limit }),
      );
      return { items: rows.map((row) => ({ ...row, lastAt: row.lastAt.toISOString() })), next: null };
    },
  });

  app.route({
    method: 'GET',
    url: '/v1/quarantine/dropped',
    config: { roles: STAFF },
    schema: {
      tags: ['quarantine'],
      summary: 'How much was dropped because the quarantine was full',
      description:
        'Of each company the newest 20,000 entries and 256 MiB are kept. One that lost none is not listed.',
      querystring: strictObject({ limit }),
      response: { 200: listOf(droppedAnswer) },
    },
    async handler(request) {
      const rows = await asCaller(db, callerOf(request), (tx) =>
        listQuarantineDropped(tx, request.query.limit),
      );
      return { items: rows.map((row) => ({ ...row, lastAt: row.lastAt.toISOString() })), next: null };
    },
  });

  app.route({
    method: 'GET',
    url: '/v1/quarantine/:id',
    config: { roles: STAFF },
    schema: {
      tags: ['quarantine'],
      summary: 'Read one, with the payload of its message',
      params: recordParams,
      response: {
        200: recordAnswer.extend({
          payload: z.string().nullable().describe('Base64; null once it was dropped.'),
        }),
      },
    },
    async handler(request) {
      const { id } = request.params;
      const found = await asCaller(db, callerOf(request), (tx) => findQuarantined(tx, id));
      const { payload, ...record } = getRecord(found, id);
      return { ...answerOf(record), payload: payload?.toString('base64') ?? null };
    },
  });

  app.route({
    method: 'POST',
    url: '/v1/quarantine/:id/replay',
    config: { roles: INSTALLERS },
    schema: {
      tags: ['quarantine'],
      summary: 'Have its message judged again, by the rules and registrations of now',
      description: 'What is accepted then leaves the quarantine.',
      params: recordParams,
      response: { 202: recordAnswer },
    },
    async handler(request, reply) {
      const { id } = request.params;
      const marked = await asCaller(db, callerOf(request), async (tx) => {
        getRecord(await findQuarantined(tx, id), id);
        if (!(await markForReplay(tx, id))) {
          const detail = 'The payload of this message was dropped to make room: it cannot be judged again.';
          throw new Problem({ status: 409, code: 'payload-dropped', detail });
        }
        return getRecord(await findQuarantined(tx, id), id);
      });
      return reply.code(202).send(answerOf(marked));
    },
  });
}

function getRecord<T>(found: T | undefined, id: number): T {
  if (found === undefined) throw notFound(`There is nothing ${id} in quarantine that you may see.`);
  return found;
}

function answerOf(record: QuarantinedRecord): z.infer<typeof recordAnswer> {
  const { id, company, site, device, reason, detail, topic, contentType, payloadBytes, records } = record;
  return {
    ...{ id, company, site, device, reason, detail, topic, contentType, payloadBytes, records },
    record: record.record,
    receivedAt: record.receivedAt.toISOString(),
    replayAt: record.replayAt?.toISOString() ?? null,
  };
}
