// From zod's issues to one entry for each bad field, which names the field, what it is, and what is expected.

import type { z } from 'zod';
import type { FieldProblem } from './problem.ts';

/** More than anyone reads. */
const MOST_PROBLEMS = 100;
const LONGEST_VALUE = 60;

/** @param given what was checked, so that each entry can show the value it speaks of */
export function fieldProblems(
  error: z.core.$ZodError,
  given: unknown,
  where: FieldProblem['in'],
): FieldProblem[] {
  return error.issues
    .flatMap((issue) => fieldsOf(issue))
    .slice(0, MOST_PROBLEMS)
    .map(({ path, message }) => ({
      in: where,
      pointer: pointerTo(path),
      detail: describe(path, valueAt(given, path), message, where),
    }));
}

/** A JSON Pointer as a URI fragment (RFC 6901 section 6): ['inlets', 0] -> '#/inlets/0'. */
export function pointerTo(path: readonly PropertyKey[]): string {
  const tokens = path.map((key) => {
    const token = String(key).replaceAll('~', '~0').replaceAll('/', '~1');
    return `/${encodeURIComponent(token)}`;
  });
  return `#${tokens.join('')}`;
}

/** An object with unknown fields is one issue for zod, and for the caller as many as there are fields. */
function fieldsOf(issue: z.core.$ZodIssue): { path: readonly PropertyKey[]; message: string }[] {
  if (issue.code !== 'unrecognized_keys') return [issue];
  const fields = /: (its fields are .*)$/.exec(issue.message)?.[1];
  const message = `is not known here${fields === undefined ? '' : `: ${fields}`}`;
  return issue.keys.map((key) => ({ path: [...issue.path, key], message }));
}

function describe(
  path: readonly PropertyKey[],
  value: unknown,
  message: string,
  where: FieldProblem['in'],
): string {
  const name = path.length === 0 ? `the ${where}` : nameOf(path);
  if (message.startsWith('is ')) return `${name} ${message}`;
  const isMissing = value === undefined || (value === null && path.length === 0);
  return isMissing ? `${name} is missing: ${message}` : `${name} is ${shown(value)}: ${message}`;
}

/** As a programmer would write it: inlets[0].capAmps. */
function nameOf(path: readonly PropertyKey[]): string {
  const [first, ...rest] = path;
  return rest.reduce<string>(
    (name, key) => (typeof key === 'number' ? `${name}[${key}]` : `${name}.${String(key)}`),
    String(first),
  );
}

function valueAt(given: unknown, path: readonly PropertyKey[]): unknown {
  return path.reduce<unknown>((value, key) => {
    if (typeof value !== 'object' || value === null || !Object.hasOwn(value, key)) return undefined;
    return Object.entries(value).find(([name]) => name === String(key))?.[1];
  }, given);
}

function shown(value: unknown): string {
  if (Array.isArray(value)) return 'a list';
  if (typeof value === 'object' && value !== null) return 'an object';
  const text = JSON.stringify(value);
  return text.length <= LONGEST_VALUE ? text : `${text.slice(0, LONGEST_VALUE).replace(/\p{Cs}/u, '')}…`;
}
