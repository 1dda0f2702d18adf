// Sites: register, list, read, change, delete.

import {
  asCaller,
  ensureCompany,
  findSite,
  insertSite,
  listHeardDevices,
  listSites,
  lockSite,
  markSiteDeleted,
  type NamedCaller,
  openSite,
  type StoredSite,
  updateSite,
} from '@afterwatt/store';
import { ID_PATTERN, idSchema, patchSite, type Site, sitePatchSchema, strictObject } from '@afterwatt/wire';
import { z } from 'zod';
import type { App, Deps } from './app.ts';
import { callerOf, EVERYONE, INSTALLERS } from './callers.ts';
import { fieldProblems } from './field-problems.ts';
import { cursorOf, listOf, pageOf } from './page.ts';
import { invalidBody, notFound, Problem } from './problem.ts';
import { limit, manyOf, words } from './query-fields.ts';
import { siteAnswer, siteAnswerFor } from './site-answer.ts';
import { checkedSiteSchema } from './site-thresholds.ts';

export const siteParams = z.object({ id: z.string().regex(ID_PATTERN) });

const listQuery = strictObject({
  company: manyOf(idSchema),
  region: manyOf(z.string()),
  q: words.describe("Words in the site's name or id."),
  limit,
  cursor: cursorOf(z.string().regex(ID_PATTERN)),
});

export function siteRoutes(app: App, { connection }: Deps): void {
  const { db } = connection;

  app.route({
    method: 'POST',
    url: '/v1/sites',
    config: { roles: INSTALLERS },
    schema: {
      tags: ['sites'],
      summary: 'Register a site',
      description: 'Every field with a sensible default may be left out. An id that is taken answers 409.',
      body: checkedSiteSchema,
      response: { 201: siteAnswer },
    },
    async preValidation(request) {
      // The schema's default company is for operators: an installer's sites are the own company's.
      const { role, company } = callerOf(request);
      const body: unknown = request.body;
      if (role === 'installer' && isObject(body)) Object.assign(request, { body: { company, ...body } });
    },
    async handler(request, reply) {
      const caller = callerOf(request);
      const site = request.body;
      const stored = await asCaller(db, caller, async (tx) => {
        await checkCompany(caller, site, () => ensureCompany(tx, site.company));
        const no = await insertSite(tx, site);
        if (no === undefined) {
          const detail = `The id "${site.id}" is taken. Choose another, or PATCH /v1/sites/${site.id}.`;
          throw new Problem({ status: 409, code: 'site-exists', detail });
        }
        return getSite(await findSite(tx, site.id), site.id);
      });
      return reply
        .code(201)
        .header('location', `/v1/sites/${site.id}`)
        .send(siteAnswerFor(caller.role, stored));
    },
  });

  app.route({
    method: 'GET',
    url: '/v1/sites',
    config: { roles: EVERYONE },
    schema: {
      tags: ['sites'],
      summary: 'List sites, in order of id',
      querystring: listQuery,
      response: { 200: listOf(siteAnswer) },
    },
    async handler(request, reply) {
      const caller = callerOf(request);
      const { company, region, q, limit, cursor } = request.query;
      const filter = { companies: company, regions: region, words: q, afterId: cursor, limit: limit + 1 };
      const rows = await asCaller(db, caller, (tx) => listSites(tx, filter));
      const item = (row: StoredSite) => siteAnswerFor(caller.role, row);
      return pageOf({ request, reply, rows, limit, placeOf: ({ site }) => site.id, item });
    },
  });

  app.route({
    method: 'GET',
    url: '/v1/sites/:id',
    config: { roles: EVERYONE },
    schema: {
      tags: ['sites'],
      summary: 'Read a site, with what was last heard of its devices',
      params: siteParams,
      response: { 200: siteAnswer },
    },
    async handler(request) {
      const caller = callerOf(request);
      const { id } = request.params;
      return asCaller(db, caller, async (tx) => {
        const stored = getSite(await findSite(tx, id), id);
        await openSite(tx, stored.no);
        return siteAnswerFor(caller.role, stored, await listHeardDevices(tx, stored.no));
      });
    },
  });

  app.route({
    method: 'PATCH',
    url: '/v1/sites/:id',
    config: { roles: INSTALLERS },
    schema: {
      tags: ['sites'],
      summary: 'Change a site',
      description:
        'A JSON merge patch (RFC 7396): objects merge, lists are replaced, null takes a field back to its default.',
      params: siteParams,
      body: sitePatchSchema,
      response: { 200: siteAnswer },
    },
    async handler(request) {
      const caller = callerOf(request);
      const { id } = request.params;
      return asCaller(db, caller, async (tx) => {
        const before = getSite(await lockSite(tx, id), id);
        const site = patched(before.site, request.body);
        await checkCompany(caller, site, () => ensureCompany(tx, site.company));
        await updateSite(tx, before.no, site);
        return siteAnswerFor(caller.role, getSite(await findSite(tx, id), id));
      });
    },
  });

  app.route({
    method: 'DELETE',
    url: '/v1/sites/:id',
    config: { roles: INSTALLERS },
    schema: {
      tags: ['sites'],
      summary: 'Delete a site with its readings and incidents, and end its credentials',
      params: siteParams,
      response: { 204: z.null().describe('Deleted.') },
    },
    async handler(request, reply) {
      const { id } = request.params;
      await asCaller(db, callerOf(request), async (tx) => {
        await markSiteDeleted(tx, getSite(await lockSite(tx, id), id));
      });
      return reply.code(204).send(null);
    },
  });
}

/** @throws Problem 404 */
export function getSite(found: StoredSite | undefined, id: string): StoredSite {
  if (found === undefined) throw notFound(`There is no site "${id}" that you may see.`);
  return found;
}

/** An installer's sites are the own company's; an operator may name one that nobody has named before. */
async function checkCompany(
  { role, company }: NamedCaller,
  site: Site,
  ensure: () => Promise<void>,
): Promise<void> {
  if (role === 'operator') return ensure();
  if (site.company === company) return;
  const detail = `company is "${site.company}": an installer's sites are of the own company, ${company}`;
  throw new Problem({
    status: 403,
    code: 'foreign-company',
    detail,
    errors: [{ in: 'body', pointer: '#/company', detail }],
  });
}

function patched(site: Site, patch: z.infer<typeof sitePatchSchema>): Site {
  const merged = patchSite(site, patch);
  const checked = merged.success ? checkedSiteSchema.safeParse(merged.data) : merged;
  if (!checked.success) throw invalidBody(fieldProblems(checked.error, patch, 'body'));
  return checked.data;
}

function isObject(value: unknown): value is Record<string, unknown> {
  return typeof value === 'object' && value !== null && !Array.isArray(value);
}
