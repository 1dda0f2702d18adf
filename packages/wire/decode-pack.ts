import { printable, type Refusal, refuse } from './refusal.ts';
import { decodeCbor } from './senml-cbor.ts';
import { type DecodedPack, decodeJson } from './senml-json.ts';

/** Bounds the work one message can cause; an hour of readings every 5 s is about 500 KiB of JSON. */
export const MAX_PAYLOAD_BYTES = 2 ** 20;
export const MAX_RECORDS = 100_000;

/** The first byte of a JSON array. In CBOR it would begin a byte string. */
const LEFT_BRACKET = 0x5b;

/**
 * Reads a payload as far as an array of records, as JSON or as CBOR.
 * @param contentType the MQTT 5 content type; without one the first byte decides
 */
export function decodePack(payload: Uint8Array, contentType: string | undefined): DecodedPack | Refusal {
  if (payload.length > MAX_PAYLOAD_BYTES) {
    return refuse(
      'payload-too-large',
      `A payload must be at most ${MAX_PAYLOAD_BYTES} bytes, it has ${payload.length}: send a backlog in several messages.`,
    );
  }
  const format = formatOf(payload, contentType);
  if (typeof format !== 'string') return format;
  const decoded = format === 'json' ? decodeJson(payload) : decodeCbor(payload);
  if (decoded.kind === 'decoded' && decoded.pack.length > MAX_RECORDS) {
    return refuse(
      'too-many-records',
      `A pack must have at most ${MAX_RECORDS} records, it has ${decoded.pack.length}.`,
    );
  }
  return decoded;
}

/** Which of the two a payload claims to be. */
export function formatOf(payload: Uint8Array, contentType: string | undefined): 'json' | 'cbor' | Refusal {
  // As nearly all devices write it, so that it need not be taken apart.
  if (contentType === 'application/senml+json') return 'json';
  if (contentType === 'application/senml+cbor') return 'cbor';
  // Parameters such as charset say nothing that RFC 8428 leaves open; a media type has no case (RFC 9110, 8.3.1).
  const mediaType = contentType?.split(';', 1)[0]?.trim().toLowerCase();
  switch (mediaType) {
    case undefined:
    case '':
      return payload[0] === LEFT_BRACKET ? 'json' : 'cbor';
    case 'application/senml+json':
    case 'application/sensml+json':
    case 'application/json':
      return 'json';
    case 'application/senml+cbor':
    case 'application/sensml+cbor':
    case 'application/cbor':
      return 'cbor';
    default:
      return refuse(
        'content-type',
        `The content type must be application/senml+json or application/senml+cbor, it is ${printable(mediaType)}.`,
      );
  }
}
