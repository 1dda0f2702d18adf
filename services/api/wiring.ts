// What the readings prove of each clamp of a site, beside what was registered.

import { startEngine, wiringReport } from '@afterwatt/detect';
import { asCaller, findDetectorState, findSite, openSite } from '@afterwatt/store';
import { z } from 'zod';
import { time } from './answer-fields.ts';
import type { App, Deps } from './app.ts';
import { callerOf, STAFF } from './callers.ts';
import { getSite, siteParams } from './sites.ts';

const wiringAnswer = z
  .object({
    site: z.string(),
    asOf: time.nullable().describe('When the evidence was last written down; null before any.'),
    clamps: z.array(
      z.object({
        clamp: z.string().describe('L1, L2 or inlet 1, as incidents name it.'),
        quantity: z.string().describe('The quantity it gives, on the wire.'),
        status: z.enum(['proven right', 'proven wrong', 'not yet proven']),
        faults: z.array(z.enum(['reversed', 'swapped', 'no-signal', 'ratio'])),
        rightProbability: z.number().describe('0 to 1.'),
        evidence: z.record(z.string(), z.number()).describe('Pieces of evidence so far, by kind.'),
        lastEvidenceAt: time.nullable(),
      }),
    ),
  })
  .meta({ id: 'Wiring' });

const savedSchema = z.object({ engine: z.unknown() });

export function wiringRoutes(app: App, { connection }: Deps): void {
  app.route({
    method: 'GET',
    url: '/v1/sites/:id/wiring',
    config: { roles: STAFF },
    schema: {
      tags: ['sites'],
      summary: 'What is proven right, proven wrong or not yet proven, per clamp',
      params: siteParams,
      response: { 200: wiringAnswer },
    },
    async handler(request) {
      const { id } = request.params;
      const { site, state } = await asCaller(connection.db, callerOf(request), async (tx) => {
        const { no, site } = getSite(await findSite(tx, id), id);
        await openSite(tx, no);
        return { site, state: await findDetectorState(tx, no) };
      });
      const saved = savedSchema.safeParse(state?.state);
      const { view } = startEngine(site, saved.success ? saved.data.engine : undefined);
      return {
        site: site.id,
        asOf: state?.savedAt.toISOString() ?? null,
        clamps: wiringReport(view).map(({ lastEvidenceMs, ...clamp }) => ({
          ...clamp,
          faults: [...clamp.faults],
          lastEvidenceAt: lastEvidenceMs === null ? null : new Date(lastEvidenceMs).toISOString(),
        })),
      };
    },
  });
}
