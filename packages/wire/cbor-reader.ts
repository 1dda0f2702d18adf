import { MAX_NESTING } from './nesting.ts';
import type { RefusalReason } from './refusal.ts';

// The part of CBOR (RFC 8949) that SenML uses (RFC 8428 section 6). It is our own because a general library takes
// more than that from a hostile payload (dates, regular expressions, shared references, records), and because
// this one is bounded by design: no item is made larger than the bytes it came from.

/** Major types and additional information, RFC 8949 section 3. */
export const UNSIGNED = 0;
export const NEGATIVE = 1;
export const BYTES = 2;
export const TEXT = 3;
export const ARRAY = 4;
export const MAP = 5;
export const SIMPLE_OR_FLOAT = 7;
const INDEFINITE = 31;
const BREAK = 0xff;
/** RFC 8949 section 3.4.4: [exponent, mantissa], value = mantissa * 10 ** exponent. */
const DECIMAL_FRACTION_TAG = 4;

/** Stands for an item that no SenML field takes: a list, a map, a tagged item, an unassigned simple value. */
export const NO_SCALAR = Symbol('no scalar');

const UTF8 = new TextDecoder('utf-8', { fatal: true, ignoreBOM: true });

/** The payload is no CBOR as SenML takes it; its message is a sentence for the device's maker. */
export class Unreadable extends Error {
  readonly reason: RefusalReason;
  constructor(reason: RefusalReason, detail: string) {
    super(detail);
    this.reason = reason;
  }
}

/** Walks over the items of one payload. Its methods throw Unreadable, and nothing else. */
export class CborReader {
  private offset = 0;
  private readonly bytes: Uint8Array;
  private readonly view: DataView;

  constructor(bytes: Uint8Array) {
    this.bytes = bytes;
    this.view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  }

  isAtEnd(): boolean {
    return this.offset === this.bytes.length;
  }

  /** The major type of the next item. */
  majorType(): number {
    return this.peek() >> 5;
  }

  /** Reads the head of a list or map; Infinity = until a break. */
  readCount(): number {
    const info = this.readByte() & 0x1f;
    return info === INDEFINITE ? Number.POSITIVE_INFINITY : this.readArgument(info);
  }

  /** Whether a list or map goes on that has `left` entries to come; steps over a break. */
  hasMore(left: number): boolean {
    if (left !== Number.POSITIVE_INFINITY) return left > 0;
    if (this.peek() !== BREAK) return true;
    this.offset += 1;
    return false;
  }

  /** Reads an item of any type that may nest `levelsLeft` levels; what is no scalar comes back as NO_SCALAR. */
  readItem(levelsLeft: number): unknown {
    const major = this.majorType();
    if (major === ARRAY || major === MAP) {
      if (levelsLeft === 0) throw nestedTooDeep();
      const itemsPerEntry = major === MAP ? 2 : 1;
      for (let left = this.readCount(); this.hasMore(left); left -= 1) {
        for (let item = 0; item < itemsPerEntry; item += 1) this.readItem(levelsLeft - 1);
      }
      return NO_SCALAR;
    }
    const info = this.readByte() & 0x1f;
    if (major === SIMPLE_OR_FLOAT) return this.readSimpleOrFloat(info);
    const argument = this.readArgument(info);
    switch (major) {
      case UNSIGNED:
        return argument;
      case NEGATIVE:
        return -1 - argument;
      case BYTES:
        return new Uint8Array(this.take(argument)); // A copy: the payload may be part of a larger buffer.
      case TEXT:
        return decodeText(this.take(argument));
      default:
        if (levelsLeft === 0) throw nestedTooDeep();
        return this.readTagged(argument, levelsLeft - 1);
    }
  }

  private readTagged(tag: number, levelsLeft: number): unknown {
    if (tag !== DECIMAL_FRACTION_TAG || this.peek() !== ((ARRAY << 5) | 2)) {
      this.readItem(levelsLeft);
      return NO_SCALAR;
    }
    this.offset += 1;
    const exponent = this.readItem(levelsLeft);
    const mantissa = this.readItem(levelsLeft);
    if (!Number.isInteger(exponent) || !Number.isInteger(mantissa)) return NO_SCALAR;
    return Number(`${mantissa}e${exponent}`); // Reading decimal text rounds once, multiplying would twice.
  }

  private readSimpleOrFloat(info: number): unknown {
    switch (info) {
      case 20:
        return false;
      case 21:
        return true;
      case 22: // null
      case 23: // undefined
        return null;
      case 25:
        return halfFloat(this.readArgument(info));
      case 26:
        return this.view.getFloat32(this.advance(4));
      case 27:
        return this.view.getFloat64(this.advance(8));
      default:
        this.readArgument(info);
        return NO_SCALAR;
    }
  }

  /** RFC 8949 section 3: the number that belongs to the additional information of a head. */
  private readArgument(info: number): number {
    if (info < 24) return info;
    switch (info) {
      case 24:
        return this.readByte();
      case 25:
        return this.view.getUint16(this.advance(2));
      case 26:
        return this.view.getUint32(this.advance(4));
      case 27: {
        const at = this.advance(8);
        return this.view.getUint32(at) * 2 ** 32 + this.view.getUint32(at + 4);
      }
      case INDEFINITE:
        throw new Unreadable(
          'not-senml',
          'Only lists and maps may have an indefinite length (RFC 8428 section 6).',
        );
      default:
        throw new Unreadable('not-senml', `Byte ${this.offset} is not well-formed CBOR.`);
    }
  }

  private take(length: number): Uint8Array {
    const start = this.advance(length);
    return this.bytes.subarray(start, start + length);
  }

  private readByte(): number {
    const byte = this.peek();
    this.offset += 1;
    return byte;
  }

  private peek(): number {
    const byte = this.bytes[this.offset];
    if (byte === undefined) throw truncated();
    return byte;
  }

  /** Steps over `length` bytes; returns where they began. */
  private advance(length: number): number {
    if (length > this.bytes.length - this.offset) throw truncated();
    const start = this.offset;
    this.offset += length;
    return start;
  }
}

function decodeText(bytes: Uint8Array): string {
  try {
    return UTF8.decode(bytes);
  } catch {
    throw new Unreadable('not-senml', 'Text must be UTF-8.');
  }
}

/** IEEE 754 binary16, RFC 8949 appendix D. */
export function halfFloat(bits: number): number {
  const exponent = (bits >> 10) & 0x1f;
  const fraction = bits & 0x3ff;
  const sign = bits & 0x8000 ? -1 : 1;
  if (exponent === 0) return sign * fraction * 2 ** -24;
  if (exponent === 31) return fraction === 0 ? sign * Number.POSITIVE_INFINITY : Number.NaN;
  return sign * (1024 + fraction) * 2 ** (exponent - 25);
}

function truncated(): Unreadable {
  return new Unreadable('not-senml', 'The CBOR ends in the middle of an item.');
}

function nestedTooDeep(): Unreadable {
  return new Unreadable(
    'nested-too-deep',
    `A pack must nest at most ${MAX_NESTING} levels of lists and maps.`,
  );
}
