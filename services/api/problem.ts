// What a caller is told when a request fails: RFC 9457 problem details. `type` stays about:blank, so `title` is
// the status in words; `code` tells problems apart for programs and never changes; `errors` has one entry for
// each bad field.

import { STATUS_CODES } from 'node:http';
import { isTransient } from '@afterwatt/runtime';
import { z } from 'zod';

export const PROBLEM_TYPE = 'application/problem+json; charset=utf-8';

export interface FieldProblem {
  readonly in: 'body' | 'query';
  /** JSON Pointer as a URI fragment (RFC 6901 section 6); for XML the XPath. */
  readonly pointer: string;
  /** Names the field, its value and what is expected. */
  readonly detail: string;
}

interface ProblemOptions {
  readonly status: number;
  readonly code: string;
  readonly detail: string;
  readonly errors?: readonly FieldProblem[];
  readonly headers?: Readonly<Record<string, string>>;
  /** What else the document says. */
  readonly extension?: Readonly<Record<string, unknown>>;
}

/** Thrown where a request cannot be done; the error handler makes the answer of it. */
export class Problem extends Error {
  readonly status: number;
  readonly code: string;
  readonly errors: readonly FieldProblem[];
  readonly headers: Readonly<Record<string, string>>;
  readonly extension: Readonly<Record<string, unknown>>;

  constructor(options: ProblemOptions) {
    super(options.detail);
    this.status = options.status;
    this.code = options.code;
    this.errors = options.errors ?? [];
    this.headers = options.headers ?? {};
    this.extension = options.extension ?? {};
  }
}

export const problemSchema = z
  .object({
    type: z.string().meta({ examples: ['about:blank'] }),
    title: z.string().describe('The status in words.'),
    status: z.number().int(),
    detail: z.string(),
    instance: z.string().describe('This one occurrence, as the log has it.'),
    code: z.string().describe('Tells problems apart for programs.'),
    errors: z
      .array(z.object({ in: z.enum(['body', 'query']), pointer: z.string(), detail: z.string() }))
      .optional()
      .describe('One entry for each bad field.'),
  })
  .loose()
  .meta({ id: 'Problem', description: 'RFC 9457 problem details.' });

/** The document that tells of a problem. @param instance the request's id, a UUID */
export function problemDocument(problem: Problem, instance: string): z.infer<typeof problemSchema> {
  return {
    ...problem.extension,
    type: 'about:blank',
    title: STATUS_CODES[problem.status] ?? 'Error',
    status: problem.status,
    detail: problem.message,
    instance: `urn:uuid:${instance}`,
    code: problem.code,
    ...(problem.errors.length === 0 ? {} : { errors: problem.errors.map((error) => ({ ...error })) }),
  };
}

export function notFound(detail: string): Problem {
  return new Problem({ status: 404, code: 'not-found', detail });
}

/** Fields of a body that was understood but cannot be taken. */
export function invalidBody(errors: readonly FieldProblem[]): Problem {
  return new Problem({ status: 422, code: 'invalid-body', detail: summaryOf(errors), errors });
}

export function invalidQuery(errors: readonly FieldProblem[]): Problem {
  return new Problem({ status: 400, code: 'invalid-query', detail: summaryOf(errors), errors });
}

function summaryOf(errors: readonly FieldProblem[]): string {
  const [first] = errors;
  if (first === undefined) return 'The request is not valid.';
  return errors.length === 1 ? first.detail : `${first.detail} (and ${errors.length - 1} more, see errors)`;
}

/** Whatever was thrown, as a problem; what nobody foresaw is a 500 that tells nothing of the inside. */
export function problemOf(error: unknown): Problem {
  if (error instanceof Problem) return error;
  const code = stringField(error, 'code');
  const known = FASTIFY_PROBLEMS[code] ?? SQLSTATE_PROBLEMS[code];
  if (known !== undefined) return new Problem(known);
  if (isTransient(error)) {
    const detail = 'The database does not answer at the moment. Try again.';
    return new Problem({ status: 503, code: 'database-away', detail, headers: { 'retry-after': '2' } });
  }
  const status = statusOf(error);
  if (status !== undefined && error instanceof Error) {
    return new Problem({ status, code: 'bad-request', detail: error.message });
  }
  return new Problem({
    status: 500,
    code: 'internal',
    detail: 'Something went wrong here. The log has it under the instance.',
  });
}

const FASTIFY_PROBLEMS: Readonly<Record<string, ProblemOptions>> = {
  FST_ERR_CTP_INVALID_MEDIA_TYPE: {
    status: 415,
    code: 'unsupported-media-type',
    detail: 'The content type of the body is not one that is taken here; see /openapi.json.',
  },
  FST_ERR_CTP_BODY_TOO_LARGE: {
    status: 413,
    code: 'body-too-large',
    detail: 'The body is larger than is taken here: 1 MiB, 256 KiB for a CAP message.',
  },
  FST_ERR_CTP_INVALID_CONTENT_LENGTH: {
    status: 400,
    code: 'bad-request',
    detail: 'The body is not as long as its Content-Length says.',
  },
};

const SQLSTATE_PROBLEMS: Readonly<Record<string, ProblemOptions>> = {
  // query_canceled: the statement timeout
  '57014': {
    status: 503,
    code: 'took-too-long',
    detail: 'Finding this took too long. Ask for less: a shorter time, a coarser resolution.',
  },
};

/** Fastify's own errors that are the caller's fault. */
function statusOf(error: unknown): number | undefined {
  if (typeof error !== 'object' || error === null || !('statusCode' in error)) return undefined;
  const { statusCode } = error;
  return typeof statusCode === 'number' && statusCode >= 400 && statusCode < 500 ? statusCode : undefined;
}

function stringField(error: unknown, name: 'code'): string {
  if (typeof error !== 'object' || error === null || !(name in error)) return '';
  const value = error[name];
  return typeof value === 'string' ? value : '';
}
