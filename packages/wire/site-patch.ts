import { z } from 'zod';
import { type Site, siteSchema } from './site.ts';
import { strictObject } from './strict-object.ts';

/**
 * The body of PATCH /v1/sites/{id}, a JSON merge patch (RFC 7396): objects merge, lists are replaced, null takes a
 * field back to its default. A site keeps its id. Here only the names of the fields are checked: whether the
 * patched site holds together is `patchSite`'s to say.
 */
export const sitePatchSchema = strictObject({
  name: z.unknown(),
  company: z.unknown(),
  timeZone: z.unknown(),
  region: z.unknown(),
  location: z.unknown(),
  service: z.unknown(),
  meter: z.unknown(),
  inlets: z.unknown(),
  batteries: z.unknown(),
  tariff: z.unknown(),
  storm: z.unknown(),
  thresholds: z.unknown(),
}).partial();

export type SitePatch = z.output<typeof sitePatchSchema>;

/** The site as patched, or every reason why it would be none. */
export function patchSite(site: Site, patch: SitePatch): z.ZodSafeParseResult<Site> {
  return siteSchema.safeParse(mergePatch(site, patch));
}

/** RFC 7396 section 2. */
export function mergePatch(target: unknown, patch: unknown): unknown {
  if (!isObject(patch)) return patch;
  const merged = new Map(isObject(target) ? Object.entries(target) : []);
  for (const [name, value] of Object.entries(patch)) {
    if (value === null) merged.delete(name);
    else merged.set(name, mergePatch(merged.get(name), value));
  }
  return Object.fromEntries(merged);
}

function isObject(value: unknown): value is Record<string, unknown> {
  return typeof value === 'object' && value !== null && !Array.isArray(value);
}
