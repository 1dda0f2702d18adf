import { MAX_NESTING, nestsTooDeep } from './nesting.ts';
import { printable, type Refusal, refuse } from './refusal.ts';
import type { SenmlRecord } from './senml.ts';

export type DecodedPack = { kind: 'decoded'; pack: readonly unknown[] };

/**
 * What several JSON writers print where a value is not a number. It is no JSON, and refusing the whole pack for
 * it would lose the other values: null takes its place, so that only its own record is set aside.
 */
const NON_FINITE_VALUE = /:\s*-?(?:nan|inf(?:inity)?)\s*(?=[,}])/gi;

const UTF8 = new TextDecoder('utf-8', { fatal: true });

/** Reads `application/senml+json` (RFC 8428 section 5) as far as an array; its records are not looked into. */
export function decodeJson(payload: Uint8Array): DecodedPack | Refusal {
  let pack: unknown;
  try {
    const text = UTF8.decode(payload);
    pack = parse(text);
  } catch (error) {
    return refuse('not-senml', `The payload must be JSON in UTF-8: ${printable(String(error))}.`);
  }
  if (!Array.isArray(pack)) return refuse('not-senml', 'A pack must be a JSON array of records.');
  if (nestsTooDeep(pack, MAX_NESTING)) {
    return refuse('nested-too-deep', `A pack must nest at most ${MAX_NESTING} levels of lists and objects.`);
  }
  return { kind: 'decoded', pack };
}

/** Writes a pack as `application/senml+json`. */
export function encodeJson(records: readonly SenmlRecord[]): Uint8Array {
  return new TextEncoder().encode(JSON.stringify(records));
}

function parse(text: string): unknown {
  try {
    return JSON.parse(text);
  } catch (error) {
    const mended = text.replace(NON_FINITE_VALUE, ':null');
    if (mended === text) throw error;
    return JSON.parse(mended);
  }
}
