import { z } from 'zod';
import { MAX_NESTING, nestsTooDeep } from './nesting.ts';
import { printable, type Refusal, refuse } from './refusal.ts';

/** What a device says about itself; null = it does not say. The latest message replaces the one before it. */
export type DeviceState = {
  /** False in the Last Will, which the broker publishes when the connection is lost. */
  online: boolean | null;
  firmware: string | null;
  /** `at` in milliseconds since the Unix epoch. */
  selfTest: { at: number; passed: boolean; detail: string | null } | null;
  /** The device's own clock as it published, milliseconds since the Unix epoch. */
  clock: number | null;
  settings: { [key: string]: unknown } | null;
};

export type DecodedState = { kind: 'accepted'; state: DeviceState } | Refusal;

/** The payload a device registers as its Last Will, to be retained on its state topic. */
export const LAST_WILL = '{"online":false}';

/** Settings are a page of text, not an archive. */
const MAX_STATE_BYTES = 2 ** 16;

const UTF8 = new TextDecoder('utf-8', { fatal: true });

const text = z.string('must be a string').max(500, { error: 'must be at most 500 characters' });

const instant = z.iso
  .datetime({
    offset: true,
    error: 'must be a date and time with offset (RFC 3339), such as 2026-01-31T17:00:00Z',
  })
  .transform((time) => Date.parse(time));

const stateSchema = z.object(
  {
    online: z.boolean('must be true or false').nullable().default(null),
    firmware: text.nullable().default(null),
    selfTest: z
      .object(
        { at: instant, passed: z.boolean('must be true or false'), detail: text.nullable().default(null) },
        'must be an object with at, passed and detail',
      )
      .nullable()
      .default(null),
    clock: instant.nullable().default(null),
    settings: z.record(z.string(), z.unknown(), 'must be an object').nullable().default(null),
  },
  'must be an object',
);

/**
 * Reads one message of a state topic. Types are checked strictly, unknown keys are ignored. An empty payload, which
 * is how MQTT takes back a retained message, says nothing about the device.
 */
export function decodeState(payload: Uint8Array): DecodedState {
  if (payload.length > MAX_STATE_BYTES) {
    return refuse(
      'payload-too-large',
      `A state must be at most ${MAX_STATE_BYTES} bytes, it has ${payload.length}.`,
    );
  }
  if (payload.length === 0) return { kind: 'accepted', state: stateSchema.parse({}) };
  let json: unknown;
  try {
    json = JSON.parse(UTF8.decode(payload), rejectUnstorable);
  } catch (error) {
    return refuse('not-state', `A state must be JSON in UTF-8: ${printable(String(error))}.`);
  }
  if (nestsTooDeep(json, MAX_NESTING)) {
    return refuse('nested-too-deep', `A state must nest at most ${MAX_NESTING} levels of lists and objects.`);
  }
  const parsed = stateSchema.safeParse(json);
  if (parsed.success) return { kind: 'accepted', state: parsed.data };
  const problems = parsed.error.issues.map(
    ({ path, message }) => `${['state', ...path].join('.')} ${message}`,
  );
  return refuse('not-state', `${printable(problems.join('; '), 500)}.`);
}

/** Text with NUL or half a surrogate pair is valid JSON that no database column of text or JSON takes. */
function rejectUnstorable(key: string, value: unknown): unknown {
  if (isUnstorable(key) || (typeof value === 'string' && isUnstorable(value))) {
    throw new SyntaxError('text must not hold U+0000 or half of a surrogate pair');
  }
  return value;
}

function isUnstorable(value: string): boolean {
  return /[\0\p{Cs}]/u.test(value);
}
