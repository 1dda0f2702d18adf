// What devices and gateways sign in with over MQTT. A secret is shown once; a lost one is replaced.

import { createHash, randomBytes } from 'node:crypto';
import {
  asCaller,
  brokerHash,
  ensureCompany,
  findSite,
  insertCredential,
  listCredentials,
  listDevices,
  markCredentialRevoked,
  type StoredCredential,
} from '@afterwatt/store';
import { idSchema, strictObject } from '@afterwatt/wire';
import { z } from 'zod';
import { time } from './answer-fields.ts';
import type { App, Deps } from './app.ts';
import { callerOf, INSTALLERS } from './callers.ts';
import { cursorOf, listOf, pageOf } from './page.ts';
import { invalidBody, notFound, Problem } from './problem.ts';
import { limit } from './query-fields.ts';
import { getSite, siteParams } from './sites.ts';

const credentialAnswer = z.object({
  username: z.string(),
  company: z.string(),
  device: z.string().nullable().describe('null for a gateway.'),
  createdAt: time,
});
const newCredentialAnswer = z.object({
  username: z.string(),
  secret: z.string().describe('Shown this once.'),
});

const usernameParam = z.string().max(200);
const page = strictObject({ limit, cursor: cursorOf(z.string().max(200)) });

export function credentialRoutes(app: App, { connection }: Deps): void {
  const { db } = connection;

  app.route({
    method: 'POST',
    url: '/v1/sites/:id/device-credentials',
    config: { roles: INSTALLERS },
    schema: {
      tags: ['credentials'],
      summary: 'Make a credential for one device of a site',
      description:
        'It may publish under that site and device only. Earlier ones stay in force until they are revoked.',
      params: siteParams,
      body: strictObject({ device: idSchema }),
      response: { 201: newCredentialAnswer },
    },
    async handler(request, reply) {
      const { id } = request.params;
      const name = request.body.device;
      const fresh = newSecret(`${id}.${name}`);
      await asCaller(db, callerOf(request), async (tx) => {
        const { no, site } = getSite(await findSite(tx, id), id);
        const registered = [site.meter.device, ...site.batteries.map((battery) => battery.device)];
        const device = (await listDevices(tx, no)).find((one) => one.id === name);
        if (device === undefined || !registered.includes(name)) {
          const detail = `device is "${name}": must be a device of this site, ${registered.join(', ')}`;
          throw invalidBody([{ in: 'body', pointer: '#/device', detail }]);
        }
        const of = { company: site.company, device: { siteNo: no, deviceNo: device.no } };
        await insertCredential(tx, { ...fresh.stored, ...of });
      });
      return reply.code(201).send(fresh.told);
    },
  });

  app.route({
    method: 'GET',
    url: '/v1/sites/:id/device-credentials',
    config: { roles: INSTALLERS },
    schema: {
      tags: ['credentials'],
      summary: "List a site's device credentials in force",
      params: siteParams,
      querystring: page,
      response: { 200: listOf(credentialAnswer) },
    },
    async handler(request, reply) {
      const { id } = request.params;
      const { limit, cursor } = request.query;
      const rows = await asCaller(db, callerOf(request), async (tx) => {
        const { no } = getSite(await findSite(tx, id), id);
        return listCredentials(tx, { siteNo: no }, { afterUsername: cursor, limit: limit + 1 });
      });
      return pageOf({ request, reply, rows, limit, placeOf: ({ username }) => username, item: answerOf });
    },
  });

  app.route({
    method: 'DELETE',
    url: '/v1/sites/:id/device-credentials/:username',
    config: { roles: INSTALLERS },
    schema: {
      tags: ['credentials'],
      summary: 'Revoke a device credential',
      params: siteParams.extend({ username: usernameParam }),
      response: { 204: z.null().describe('Revoked.') },
    },
    async handler(request, reply) {
      const { id, username } = request.params;
      const revoked = await asCaller(db, callerOf(request), async (tx) => {
        const { no } = getSite(await findSite(tx, id), id);
        return markCredentialRevoked(tx, { siteNo: no }, username);
      });
      if (!revoked) throw notFound(`There is no credential "${username}" in force at this site.`);
      return reply.code(204).send(null);
    },
  });

  app.route({
    method: 'POST',
    url: '/v1/gateway-credentials',
    config: { roles: INSTALLERS },
    schema: {
      tags: ['credentials'],
      summary: "Make a credential for one company's gateway",
      description: "It may publish for all of the company's sites. An installer's company is the own one.",
      body: strictObject({ company: idSchema.optional() })
        .nullish()
        .transform((body) => body ?? {}),
      response: { 201: newCredentialAnswer },
    },
    async handler(request, reply) {
      const caller = callerOf(request);
      const company = request.body.company ?? caller.company ?? 'default';
      if (caller.role === 'installer' && company !== caller.company) {
        const detail = `company is "${company}": an installer's gateways are of the own company, ${caller.company}`;
        const errors = [{ in: 'body', pointer: '#/company', detail }] as const;
        throw new Problem({ status: 403, code: 'foreign-company', detail, errors });
      }
      const fresh = newSecret(`gateway.${company}`);
      await asCaller(db, caller, async (tx) => {
        if (caller.role === 'operator') await ensureCompany(tx, company);
        await insertCredential(tx, { ...fresh.stored, company, device: null });
      });
      return reply.code(201).send(fresh.told);
    },
  });

  app.route({
    method: 'GET',
    url: '/v1/gateway-credentials',
    config: { roles: INSTALLERS },
    schema: {
      tags: ['credentials'],
      summary: 'List gateway credentials in force',
      querystring: page,
      response: { 200: listOf(credentialAnswer) },
    },
    async handler(request, reply) {
      const { limit, cursor } = request.query;
      const rows = await asCaller(db, callerOf(request), (tx) =>
        listCredentials(tx, 'gateways', { afterUsername: cursor, limit: limit + 1 }),
      );
      return pageOf({ request, reply, rows, limit, placeOf: ({ username }) => username, item: answerOf });
    },
  });

  app.route({
    method: 'DELETE',
    url: '/v1/gateway-credentials/:username',
    config: { roles: INSTALLERS },
    schema: {
      tags: ['credentials'],
      summary: 'Revoke a gateway credential',
      params: z.object({ username: usernameParam }),
      response: { 204: z.null().describe('Revoked.') },
    },
    async handler(request, reply) {
      const { username } = request.params;
      const revoked = await asCaller(db, callerOf(request), (tx) =>
        markCredentialRevoked(tx, 'gateways', username),
      );
      if (!revoked) throw notFound(`There is no gateway credential "${username}" in force.`);
      return reply.code(204).send(null);
    },
  });
}

/** A user name of its own for each credential, so that an old one works until the new one is in place. */
function newSecret(prefix: string) {
  const username = `${prefix}.${randomBytes(4).toString('hex')}`;
  const secret = randomBytes(32).toString('base64url');
  const secretSha256 = createHash('sha256').update(secret).digest();
  return { told: { username, secret }, stored: { username, secretSha256, brokerHash: brokerHash(secret) } };
}

function answerOf(stored: StoredCredential): z.infer<typeof credentialAnswer> {
  return { ...stored, createdAt: stored.createdAt.toISOString() };
}
