// Lists: { items, next }, where `next` names the place to go on from, and RFC 8288's Link says the same.

import type { FastifyReply, FastifyRequest } from 'fastify';
import { z } from 'zod';

/** What a list route answers. */
export function listOf<T extends z.ZodType>(item: T) {
  return z.object({
    items: z.array(item),
    next: z.string().nullable().describe('The cursor of the next page, or null on the last one.'),
  });
}

/** The query parameter that names a place in a list. It is told to nobody what stands in it. */
export function cursorOf<T extends z.ZodType>(place: T) {
  return z
    .string()
    .transform((text, context): z.output<T> => {
      const parsed = place.safeParse(decode(text));
      if (parsed.success) return parsed.data;
      context.addIssue({ code: 'custom', message: 'must be the `next` of an earlier answer' });
      return z.NEVER;
    })
    .optional();
}

interface PageOptions<Row, Item> {
  readonly request: FastifyRequest;
  readonly reply: FastifyReply;
  /** One more than `limit`, when there are more. */
  readonly rows: readonly Row[];
  readonly limit: number;
  readonly placeOf: (row: Row) => unknown;
  readonly item: (row: Row) => Item;
}

/** The answer of a list route; sets the Link header when there is a next page. */
export function pageOf<Row, Item>(options: PageOptions<Row, Item>): { items: Item[]; next: string | null } {
  const { request, reply, limit } = options;
  const rows = options.rows.slice(0, limit);
  const last = rows.at(-1);
  const items = rows.map(options.item);
  if (options.rows.length <= limit || last === undefined) return { items, next: null };
  const next = Buffer.from(JSON.stringify(options.placeOf(last))).toString('base64url');
  const [path, query] = request.url.split('?', 2);
  const parameters = new URLSearchParams(query);
  parameters.set('cursor', next);
  reply.header('link', `<${path}?${parameters}>; rel="next"`);
  return { items, next };
}

function decode(text: string): unknown {
  try {
    return JSON.parse(Buffer.from(text, 'base64url').toString());
  } catch {
    return undefined;
  }
}
