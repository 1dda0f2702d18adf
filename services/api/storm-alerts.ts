// CAP 1.2 messages: take them in, list those in force.

import { insertStormAlert } from '@afterwatt/store';
import { type CapAlert, type CapInfo, callsForCharging, parseCap } from '@afterwatt/storm';
import { strictObject } from '@afterwatt/wire';
import { z } from 'zod';
import { rememberAlerts, type StoredAlert } from './alerts-in-force.ts';
import { time } from './answer-fields.ts';
import type { App, Deps } from './app.ts';
import { EVERYONE, OPERATORS } from './callers.ts';
import { decodeUtf8 } from './json-body.ts';
import { cursorOf, listOf, pageOf } from './page.ts';
import { invalidBody } from './problem.ts';
import { limit } from './query-fields.ts';

const LARGEST_DOCUMENT = 256 * 1024;

const eventAnswer = z.object({
  event: z.string(),
  language: z.string(),
  headline: z.string().nullable(),
  urgency: z.string(),
  severity: z.string(),
  certainty: z.string(),
  onsetAt: time.nullable(),
  expiresAt: time.nullable(),
  areas: z.array(z.string()).describe('Their descriptions.'),
  callsForCharging: z.boolean().describe('Whether sites in its areas charge ahead of it.'),
});

const alertAnswer = z
  .object({
    id: z.number().int(),
    sender: z.string(),
    identifier: z.string(),
    sentAt: time,
    receivedAt: time,
    status: z.string(),
    messageType: z.string(),
    events: z.array(eventAnswer),
  })
  .meta({ id: 'StormAlert' });

export async function stormAlertRoutes(app: App, { connection }: Deps): Promise<void> {
  const { db } = connection;
  const alertsInForceNow = rememberAlerts(db);

  // In a scope of its own, so that XML is taken here alone and JSON is not.
  await app.register(async (scope: App) => {
    scope.removeAllContentTypeParsers();
    scope.addContentTypeParser<Buffer>(
      ['application/cap+xml', 'application/xml', 'text/xml'],
      { parseAs: 'buffer', bodyLimit: LARGEST_DOCUMENT },
      async (_request: unknown, body: Buffer) => decodeUtf8(body),
    );
    scope.route({
      method: 'POST',
      url: '/v1/storm-alerts',
      config: { roles: OPERATORS },
      schema: {
        tags: ['storm alerts'],
        summary: 'Take in a CAP 1.2 message',
        description: 'The same message (sender, identifier, sent) again answers 200 and changes nothing.',
        consumes: ['application/cap+xml'],
        body: z.string('must be a CAP 1.2 message'),
        response: { 200: alertAnswer, 201: alertAnswer },
      },
      async handler(request, reply) {
        const document = request.body;
        const parsed = parseCap(document);
        if (!parsed.ok) throw invalidBody(parsed.problems.map(fieldOf));
        const { alert } = parsed;
        const { id, receivedAt, isNew } = await insertStormAlert(db, {
          ...{ sender: alert.sender, identifier: alert.identifier, document, alert },
          sentAt: new Date(alert.sentMs),
          expiresAt: lastExpiry(alert),
        });
        return reply.code(isNew ? 201 : 200).send(answerOf({ id, receivedAt, alert }));
      },
    });
  });

  app.route({
    method: 'GET',
    url: '/v1/storm-alerts',
    config: { roles: EVERYONE },
    schema: {
      tags: ['storm alerts'],
      summary: 'List the alerts in force now, newest first',
      querystring: strictObject({ limit, cursor: cursorOf(z.tuple([z.number(), z.number().int()])) }),
      response: { 200: listOf(alertAnswer) },
    },
    async handler(request, reply) {
      const { limit, cursor } = request.query;
      const inForce = await alertsInForceNow();
      const rows = inForce
        .sort((a, b) => b.alert.sentMs - a.alert.sentMs || b.id - a.id)
        .filter((row) => cursor === undefined || isAfter(row, cursor))
        .slice(0, limit + 1);
      const placeOf = (row: StoredAlert) => [row.alert.sentMs, row.id];
      return pageOf({ request, reply, rows, limit, placeOf, item: answerOf });
    },
  });
}

function isAfter({ alert, id }: StoredAlert, [sentMs, afterId]: readonly [number, number]): boolean {
  return alert.sentMs < sentMs || (alert.sentMs === sentMs && id < afterId);
}

function fieldOf({ path, message }: { path: string; message: string }) {
  return { in: 'body', pointer: path, detail: `${path} ${message}` } as const;
}

function lastExpiry({ infos }: CapAlert): Date | null {
  const expiries = infos.flatMap(({ expiresMs }) => (expiresMs === null ? [] : [expiresMs]));
  return expiries.length === 0 ? null : new Date(Math.max(...expiries));
}

function answerOf({ id, receivedAt, alert }: StoredAlert): z.infer<typeof alertAnswer> {
  const { sender, identifier, sentMs, status, messageType, infos } = alert;
  return {
    ...{ id, sender, identifier, status, messageType, events: infos.map(eventOf) },
    sentAt: new Date(sentMs).toISOString(),
    receivedAt: receivedAt.toISOString(),
  };
}

function eventOf(info: CapInfo): z.infer<typeof eventAnswer> {
  const { event, language, headline, urgency, severity, certainty, onsetMs, expiresMs, areas } = info;
  return {
    ...{ event, language, headline, urgency, severity, certainty },
    onsetAt: isoOf(onsetMs),
    expiresAt: isoOf(expiresMs),
    areas: areas.map(({ description }) => description),
    callsForCharging: callsForCharging(info),
  };
}

function isoOf(ms: number | null): string | null {
  return ms === null ? null : new Date(ms).toISOString();
}
