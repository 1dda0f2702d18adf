// What would other thresholds have found? Asked here, answered in the background by a rules worker.

import { asCaller, findReplay, findSite, insertReplay, type StoredReplay } from '@afterwatt/store';
import { idSchema, type Site, strictObject } from '@afterwatt/wire';
import { z } from 'zod';
import { time } from './answer-fields.ts';
import type { App, Deps } from './app.ts';
import { callerOf, INSTALLERS, STAFF } from './callers.ts';
import { invalidBody, notFound } from './problem.ts';
import { instant } from './query-fields.ts';
import { thresholdsSchema } from './site-thresholds.ts';
import { getSite } from './sites.ts';

const DAY_MS = 86_400_000;
/** Raw readings are kept for so long. */
const LONGEST_DAYS = 35;
const MOST_SITES = 100;

const replayBody = strictObject({
  sites: z
    .array(idSchema, 'must be a list of site ids')
    .min(1, { error: 'must name at least one site' })
    .max(MOST_SITES, { error: `must name at most ${MOST_SITES} sites` }),
  from: instant.describe('Included.'),
  to: instant.describe('Not included.'),
  thresholds: thresholdsSchema.describe(
    'Incident kind -> parameter -> value, in place of what each site has.',
  ),
}).superRefine(({ from, to }, context) => {
  const refuse = (message: string) => context.addIssue({ code: 'custom', path: ['to'], message });
  if (to <= from) refuse('must be after from');
  else if (to.getTime() - from.getTime() > LONGEST_DAYS * DAY_MS) {
    refuse(`must be at most ${LONGEST_DAYS} days after from`);
  }
});

const replayedIncident = z.object({
  site: z.string(),
  kind: z.string(),
  subject: z.string(),
  onsetAt: time,
  detectedAt: time,
  clearedAt: time.nullable(),
  headline: z.string(),
});

const resultSchema = z.object({
  comes: z.array(replayedIncident).describe('Found with the draft alone.'),
  goes: z.array(replayedIncident).describe("Found with today's thresholds alone."),
  stays: z.array(replayedIncident).describe('Found with both.'),
});

const replayAnswer = z
  .object({
    id: z.string(),
    state: z.enum(['waiting', 'running', 'done', 'failed']),
    progress: z.number().describe('0 to 1.'),
    askedBy: z.string(),
    askedAt: time,
    from: time,
    to: time,
    result: resultSchema.nullable(),
    failure: z.string().nullable(),
  })
  .meta({ id: 'Replay' });

export function replayRoutes(app: App, { connection }: Deps): void {
  const { db } = connection;

  app.route({
    method: 'POST',
    url: '/v1/replays',
    config: { roles: INSTALLERS },
    schema: {
      tags: ['replays'],
      summary: 'Ask what a draft of thresholds would have found in stored readings',
      description: 'Answered in the background: read it again until its state is done.',
      body: replayBody,
      response: { 202: replayAnswer },
    },
    async handler(request, reply) {
      const caller = callerOf(request);
      const { sites: ids, from, to, thresholds } = request.body;
      const replay = await asCaller(db, caller, async (tx) => {
        const sites: { no: number; site: Site }[] = [];
        for (const id of ids) sites.push(getSite(await findSite(tx, id), id));
        const companies = new Set(sites.map(({ site }) => site.company));
        const [company] = companies;
        if (company === undefined || companies.size > 1) {
          const detail = `sites are of ${[...companies].join(', ')}: must be of one company`;
          throw invalidBody([{ in: 'body', pointer: '#/sites', detail }]);
        }
        const siteNos = sites.map(({ no }) => no);
        return insertReplay(tx, { company, askedBy: caller.name, siteNos, from, to, thresholds });
      });
      return reply.code(202).header('location', `/v1/replays/${replay.id}`).send(answerOf(replay));
    },
  });

  app.route({
    method: 'GET',
    url: '/v1/replays/:id',
    config: { roles: STAFF },
    schema: {
      tags: ['replays'],
      summary: 'Read a replay: its progress, and its result once it is done',
      params: z.object({ id: z.uuid() }),
      response: { 200: replayAnswer },
    },
    async handler(request) {
      const { id } = request.params;
      const replay = await asCaller(db, callerOf(request), (tx) => findReplay(tx, id));
      if (replay === undefined) throw notFound(`There is no replay ${id} that you may see.`);
      return answerOf(replay);
    },
  });
}

function answerOf(replay: StoredReplay): z.infer<typeof replayAnswer> {
  const result = resultSchema.safeParse(replay.result);
  return {
    id: replay.id,
    state: replay.state,
    progress: replay.progress,
    askedBy: replay.asked_by,
    askedAt: replay.asked_at.toISOString(),
    from: replay.from_at.toISOString(),
    to: replay.to_at.toISOString(),
    result: result.success ? result.data : null,
    failure: replay.failure,
  };
}
