import { ARRAY, CborReader, MAP, Unreadable } from './cbor-reader.ts';
import { CborWriter } from './cbor-writer.ts';
import { MAX_NESTING } from './nesting.ts';
import { type Refusal, refuse } from './refusal.ts';
import type { SenmlRecord } from './senml.ts';
import type { DecodedPack } from './senml-json.ts';

/** RFC 8428 table 4, and the other way round. */
const NUMBER_OF_LABEL: ReadonlyMap<string, number> = new Map([
  ['bver', -1],
  ['bn', -2],
  ['bt', -3],
  ['bu', -4],
  ['bv', -5],
  ['bs', -6],
  ['n', 0],
  ['u', 1],
  ['v', 2],
  ['vs', 3],
  ['vb', 4],
  ['s', 5],
  ['t', 6],
  ['ut', 7],
  ['vd', 8],
]);
const LABEL_OF_NUMBER = new Map([...NUMBER_OF_LABEL].map(([label, number]) => [number, label]));

/**
 * Reads `application/senml+cbor` (RFC 8428 section 6) into records with the labels of JSON. Time and memory stay
 * within a small multiple of the payload's size, whatever it holds.
 */
export function decodeCbor(payload: Uint8Array): DecodedPack | Refusal {
  try {
    return { kind: 'decoded', pack: readPack(new CborReader(payload)) };
  } catch (error) {
    if (error instanceof Unreadable) return refuse(error.reason, error.message);
    throw error;
  }
}

/** Writes a pack as `application/senml+cbor`, each number in the shortest form that holds it exactly. */
export function encodeCbor(records: readonly SenmlRecord[]): Uint8Array {
  const writer = new CborWriter();
  writer.list(records.length);
  for (const record of records) {
    const fields = Object.entries(record);
    writer.map(fields.length);
    for (const [label, value] of fields) {
      const number = NUMBER_OF_LABEL.get(label);
      writer.item(number ?? label);
      writer.item(value);
    }
  }
  return writer.bytes();
}

function readPack(reader: CborReader): unknown[] {
  if (reader.majorType() !== ARRAY) {
    throw new Unreadable('not-senml', 'The payload must be a CBOR array of records.');
  }
  const pack: unknown[] = [];
  for (let left = reader.readCount(); reader.hasMore(left); left -= 1) {
    pack.push(reader.majorType() === MAP ? readRecord(reader) : reader.readItem(MAX_NESTING - 1));
  }
  if (!reader.isAtEnd()) throw new Unreadable('not-senml', 'There must be nothing after the CBOR array.');
  return pack;
}

function readRecord(reader: CborReader): Record<string, unknown> {
  const record: Record<string, unknown> = {};
  for (let left = reader.readCount(); reader.hasMore(left); left -= 1) {
    const key = reader.readItem(MAX_NESTING - 2);
    const value = reader.readItem(MAX_NESTING - 2);
    const label = typeof key === 'number' ? LABEL_OF_NUMBER.get(key) : key;
    if (typeof label !== 'string') continue; // RFC 8428 section 4.4: what is not known is ignored.
    // Not an assignment, which would set the prototype instead.
    if (label === '__proto__') Object.defineProperty(record, label, { value, enumerable: true });
    else record[label] = value;
  }
  return record;
}
