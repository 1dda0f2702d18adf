// JSON bodies, stricter than JSON.parse: RFC 8259 text in UTF-8, nested no deeper than anything here is, and
// without the characters that no database column takes (U+0000, half a surrogate pair).

import type { App } from './app.ts';
import { pointerTo } from './field-problems.ts';
import { Problem } from './problem.ts';

const DEEPEST = 20;

/** JSON and RFC 7396 merge patches are all that routes take, unless they say otherwise. */
export function takeJsonBodies(app: App): void {
  app.removeAllContentTypeParsers();
  app.addContentTypeParser<Buffer>(
    ['application/json', 'application/merge-patch+json'],
    { parseAs: 'buffer' },
    async (_request: unknown, body: Buffer) => parseJsonBody(body),
  );
}

/** An empty body is none. @throws Problem 400 */
export function parseJsonBody(body: Uint8Array): unknown {
  if (body.length === 0) return undefined;
  const value = parse(decodeUtf8(body));
  const bad = findUnfit(value, []);
  if (bad !== undefined) throw malformed(`${pointerTo(bad.path)} ${bad.why}`);
  return value;
}

/** @throws Problem 400 */
export function decodeUtf8(body: Uint8Array): string {
  try {
    return new TextDecoder('utf-8', { fatal: true }).decode(body);
  } catch {
    throw malformed('the body is not UTF-8');
  }
}

function parse(text: string): unknown {
  try {
    return JSON.parse(text);
  } catch (error) {
    throw malformed(`the body is not JSON: ${error instanceof Error ? error.message : String(error)}`);
  }
}

function findUnfit(
  value: unknown,
  path: readonly PropertyKey[],
): { path: readonly PropertyKey[]; why: string } | undefined {
  if (typeof value === 'string')
    return isFit(value) ? undefined : { path, why: 'holds U+0000 or half a character' };
  if (typeof value !== 'object' || value === null) return undefined;
  if (path.length >= DEEPEST) return { path, why: `is nested deeper than ${DEEPEST} levels` };
  for (const [key, inner] of Object.entries(value)) {
    const here = [...path, Array.isArray(value) ? Number(key) : key];
    if (!isFit(key) || key === '__proto__') return { path, why: 'has a field whose name cannot be taken' };
    const bad = findUnfit(inner, here);
    if (bad !== undefined) return bad;
  }
  return undefined;
}

function isFit(text: string): boolean {
  return !/\p{Cs}|\0/u.test(text);
}

function malformed(detail: string): Problem {
  return new Problem({ status: 400, code: 'malformed-body', detail });
}
