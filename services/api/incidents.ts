// Incidents: find them, read one, and answer it.

import {
  acknowledgeIncident,
  asCaller,
  findIncident,
  type LockedIncident,
  listIncidents,
  lockIncident,
  markIncidentMended,
  type NamedCaller,
  noteOnIncident,
  type StoredIncident,
  shelveIncident,
  unshelveIncident,
} from '@afterwatt/store';
import { INCIDENT_KINDS, idSchema, PRIORITIES, strictObject } from '@afterwatt/wire';
import { z } from 'zod';
import type { App, Deps } from './app.ts';
import { callerOf, EVERYONE, INSTALLERS, STAFF } from './callers.ts';
import { type IncidentAnswer, incidentAnswer, incidentAnswerFor, readerOf } from './incident-answer.ts';
import { cursorOf, listOf, pageOf } from './page.ts';
import { notFound, Problem } from './problem.ts';
import { instant, limit, manyOf, words } from './query-fields.ts';

const DAY_MS = 86_400_000;
/** Longer is not shelving but forgetting. Common practice allows one shift; a site visit takes weeks to arrange. */
const LONGEST_SHELVED_MS = 92 * DAY_MS;

const listQuery = strictObject({
  site: manyOf(idSchema),
  kind: manyOf(
    z.string().refine((kind) => Object.hasOwn(INCIDENT_KINDS, kind), { error: 'must be an incident kind' }),
  ).describe(`Among ${Object.keys(INCIDENT_KINDS).join(', ')}.`),
  state: manyOf(z.enum(['active', 'cleared'], { error: 'must be active or cleared' })).describe(
    'active, cleared.',
  ),
  priority: manyOf(z.enum(PRIORITIES, { error: `must be one of ${PRIORITIES.join(', ')}` })).describe(
    `Among ${PRIORITIES.join(', ')}.`,
  ),
  from: instant.optional().describe('`detectedAt` at or after this.'),
  to: instant.optional().describe('`detectedAt` before this.'),
  q: words.describe(
    'Words in the headline, explanation, kind, subject, notes, or the site’s id or name, all of which must be found.',
  ),
  limit,
  cursor: cursorOf(z.tuple([z.number().int().min(0), z.guid()])),
});

const incidentParams = z.object({ id: z.uuid() });

const note = z
  .string('must be a text')
  .trim()
  .min(1, { error: 'must not be empty' })
  .max(2000, { error: 'must be at most 2000 characters' })
  .regex(/^(?:\P{Cc}|[\n\r\t])*$/u, { error: 'must not hold control characters other than line breaks' });

/** No body at all is no note. */
const maybeNote = strictObject({ note: note.optional() })
  .nullish()
  .transform((body) => body ?? {});

const shelfTime = instant.refine(
  (until) => until.getTime() > Date.now() && until.getTime() <= Date.now() + LONGEST_SHELVED_MS,
  { error: `must lie ahead, by at most ${LONGEST_SHELVED_MS / DAY_MS} days` },
);

export function incidentRoutes(app: App, { connection }: Deps): void {
  const { db } = connection;

  app.route({
    method: 'GET',
    url: '/v1/incidents',
    config: { roles: EVERYONE },
    schema: {
      tags: ['incidents'],
      summary: 'List incidents, newest first',
      description:
        'By when they were raised. site, kind, state and priority take several values, separated by commas or repeated.',
      querystring: listQuery,
      response: { 200: listOf(incidentAnswer) },
    },
    async handler(request, reply) {
      const caller = callerOf(request);
      const { site, kind, state, priority, from, to, q, limit, cursor } = request.query;
      const filter = {
        ...{ sites: site, kinds: kind, states: state, priorities: priority, from, to, words: q },
        after: cursor === undefined ? undefined : { raisedUs: cursor[0], id: cursor[1] },
        limit: limit + 1,
      };
      const rows = await asCaller(db, caller, (tx) => listIncidents(tx, filter, readerOf(caller.role)));
      const placeOf = ({ raisedUs, id }: StoredIncident) => [raisedUs, id];
      const item = (row: StoredIncident) => incidentAnswerFor(caller.role, row);
      return pageOf({ request, reply, rows, limit, placeOf, item });
    },
  });

  app.route({
    method: 'GET',
    url: '/v1/incidents/:id',
    config: { roles: EVERYONE },
    schema: {
      tags: ['incidents'],
      summary: 'Read an incident, with its evidence and history',
      params: incidentParams,
      response: { 200: incidentAnswer },
    },
    async handler(request) {
      const caller = callerOf(request);
      const { id } = request.params;
      return asCaller(db, caller, async (tx) =>
        incidentAnswerFor(caller.role, getIncident(await findIncident(tx, id, readerOf(caller.role)), id)),
      );
    },
  });

  app.route({
    method: 'POST',
    url: '/v1/incidents/:id/acknowledge',
    config: { roles: STAFF },
    schema: responseSchema('Say that you have seen it; the first who says so stands', maybeNote),
    handler: (request) => respond(callerOf(request), request.params, request.body, acknowledgeIncident),
  });

  app.route({
    method: 'POST',
    url: '/v1/incidents/:id/shelve',
    config: { roles: INSTALLERS },
    schema: responseSchema(
      'Put it aside until an instant; it comes back by itself',
      strictObject({ until: shelfTime, note: note.optional() }),
    ),
    handler: (request) =>
      respond(callerOf(request), request.params, request.body, (tx, incident, response) => {
        mustStand(incident);
        return shelveIncident(tx, incident, request.body.until, response);
      }),
  });

  app.route({
    method: 'POST',
    url: '/v1/incidents/:id/unshelve',
    config: { roles: INSTALLERS },
    schema: responseSchema('Take it off the shelf', maybeNote),
    handler: (request) => respond(callerOf(request), request.params, request.body, unshelveIncident),
  });

  app.route({
    method: 'POST',
    url: '/v1/incidents/:id/notes',
    config: { roles: STAFF },
    schema: responseSchema('Add a note to its history', strictObject({ note })),
    handler: (request) => respond(callerOf(request), request.params, request.body, noteOnIncident),
  });

  app.route({
    method: 'POST',
    url: '/v1/incidents/:id/mended',
    config: { roles: INSTALLERS },
    schema: responseSchema(
      'Say that the fault is mended: the incident ends, and evidence is gathered anew',
      maybeNote,
    ),
    handler: (request) =>
      respond(callerOf(request), request.params, request.body, (tx, incident, response) => {
        mustStand(incident);
        return markIncidentMended(tx, incident, response);
      }),
  });

  type Act = (...args: Parameters<typeof acknowledgeIncident>) => Promise<void>;

  /** Does it in the caller's name, and answers the incident as it is then. */
  function respond(
    caller: NamedCaller,
    { id }: { readonly id: string },
    body: { readonly note?: string | undefined },
    act: Act,
  ): Promise<IncidentAnswer> {
    return asCaller(db, caller, async (tx) => {
      const incident = getIncident(await lockIncident(tx, id), id);
      await act(tx, incident, { by: caller.name, note: body.note ?? null });
      return incidentAnswerFor(caller.role, getIncident(await findIncident(tx, id, 'staff'), id));
    });
  }
}

function responseSchema<Body extends z.ZodType>(summary: string, body: Body) {
  return { tags: ['incidents'], summary, params: incidentParams, body, response: { 200: incidentAnswer } };
}

function getIncident<T>(found: T | undefined, id: string): T {
  if (found === undefined) throw notFound(`There is no incident ${id} that you may see.`);
  return found;
}

function mustStand({ state }: LockedIncident): void {
  if (state === 'active') return;
  throw new Problem({ status: 409, code: 'incident-cleared', detail: 'The incident is cleared already.' });
}
