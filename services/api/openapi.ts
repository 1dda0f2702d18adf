import swagger from '@fastify/swagger';
import { jsonSchemaTransform, jsonSchemaTransformObject } from 'fastify-type-provider-zod';
import { z } from 'zod';
import type { App } from './app.ts';

type Transform = typeof jsonSchemaTransform;
type TransformObject = typeof jsonSchemaTransformObject;

/** Collects every route that is added afterwards; `openApiRoute` serves them. */
export async function describeRoutes(app: App): Promise<void> {
  await app.register(swagger, {
    openapi: {
      openapi: '3.1.0',
      info: {
        title: 'Afterwatt',
        version: '1',
        description:
          'Watches home battery backup installations. Every quantity carries its unit in its name or beside it; every time is RFC 3339 in UTC. Errors are RFC 9457 problem details.',
        license: { name: 'Apache-2.0', identifier: 'Apache-2.0' },
      },
      // Relative to where this document is served.
      servers: [{ url: '/' }],
      components: {
        securitySchemes: {
          bearer: { type: 'http', scheme: 'bearer' },
          session: { type: 'apiKey', in: 'cookie', name: 'afterwatt_session' },
        },
      },
      tags: [
        { name: 'sites', description: 'Sites as they are registered.' },
        { name: 'credentials', description: 'What devices and gateways sign in with over MQTT.' },
        { name: 'incidents', description: 'One fault at one site, from raise to clear.' },
        { name: 'readings', description: 'What the devices reported.' },
        { name: 'storm alerts', description: 'CAP 1.2 messages.' },
        { name: 'quarantine', description: 'Messages that could not be accepted, with why.' },
        { name: 'tokens', description: 'What callers of this API sign in with.' },
        { name: 'session', description: "The console's sign-in." },
        { name: 'health', description: 'For the operator; no token needed.' },
      ],
    },
    transform: describe,
    transformObject: (document) => withoutUnused(jsonSchemaTransformObject(document)),
  });
}

export function openApiRoute(app: App): void {
  app.route({
    method: 'GET',
    url: '/openapi.json',
    schema: {
      tags: ['health'],
      summary: 'This document',
      response: {
        200: {
          description: 'OpenAPI 3.1.',
          content: { 'application/json': { schema: z.record(z.string(), z.unknown()) } },
        },
      },
    },
    async handler(_request, reply) {
      return reply.send({ ...app.swagger() });
    },
  });
}

/** Every route may answer with a problem; those that need a caller say so, and whom. */
const describe: Transform = (document) => {
  const { schema, url } = jsonSchemaTransform(document);
  if (schema === undefined || schema.hide === true) return { schema, url };
  const roles = document.route.config?.roles;
  const isOpen = roles === undefined || roles === 'anyone';
  const described = {
    ...schema,
    description: [schema.description, isOpen ? undefined : `For: ${roles.join(', ')}.`]
      .filter((part) => part !== undefined)
      .join(' '),
    security: isOpen ? [] : [{ bearer: [] }, { session: [] }],
    response: {
      ...(typeof schema.response === 'object' ? schema.response : {}),
      default: {
        description: 'What is wrong (RFC 9457).',
        content: { 'application/problem+json': { schema: { $ref: '#/components/schemas/Problem' } } },
      },
    },
  };
  return { schema: described, url };
};

/** Each named schema comes twice, as it goes in and as it comes out; only one of them is spoken of. */
function withoutUnused(document: ReturnType<TransformObject>): ReturnType<TransformObject> {
  const schemas = 'components' in document ? document.components?.schemas : undefined;
  const text = JSON.stringify(document);
  for (const name of Object.keys(schemas ?? {})) {
    if (!text.includes(`"#/components/schemas/${name}"`)) delete schemas?.[name];
  }
  return document;
}
