import { halfFloat } from './cbor-reader.ts';
import { MAX_RECORDS } from './decode-pack.ts';
import {
  findPlainQuantity,
  isPlainBaseName,
  LAST_ASCII,
  MOST_WORD_BYTES,
  RECORD,
  type ReadingBlock,
} from './reading-block.ts';

/** RFC 8428 table 4: the labels of a plain pack. */
const LABEL = { bn: -2, bt: -3, n: 0, u: 1, v: 2, vb: 4, t: 6, ut: 7 } as const;
/** RFC 8949 section 3.1. */
const ARRAY = 4;
const MAP = 5;
const TEXT = 3;
const SPACE = 0x20;
const FALSE = 0xf4;
const TRUE = 0xf5;
const FLOAT_16 = 0xf9;
const FLOAT_32 = 0xfa;
const FLOAT_64 = 0xfb;

/**
 * Reads a plain pack in CBOR into a block that has begun, as plain-json.ts does in JSON.
 * @returns false when it is not plain
 */
export function readPlainCbor(bytes: Uint8Array, block: ReadingBlock): boolean {
  return new PlainCbor(bytes, block).read();
}

class PlainCbor {
  readonly #bytes: Uint8Array;
  readonly #view: DataView;
  readonly #block: ReadingBlock;
  #at = 0;
  #start = 0;
  #end = 0;
  #high = 0;
  #low = 0;

  constructor(bytes: Uint8Array, block: ReadingBlock) {
    this.#bytes = bytes;
    this.#view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
    this.#block = block;
  }

  read(): boolean {
    const records = this.#head(ARRAY);
    if (!(records > 0 && records <= MAX_RECORDS)) return false;
    for (let record = 0; record < records; record += 1) {
      const fields = this.#head(MAP);
      if (Number.isNaN(fields)) return false;
      for (let field = 0; field < fields; field += 1) if (!this.#field()) return false;
      if (!this.#block.endRecord(this.#bytes)) return false;
    }
    return this.#at === this.#bytes.length;
  }

  #field(): boolean {
    const block = this.#block;
    const label = this.#label();
    switch (label) {
      case LABEL.n:
        if (!this.#text() || this.#end - this.#start > MOST_WORD_BYTES) return false;
        block.quantity = findPlainQuantity(this.#high, this.#low);
        return block.quantity >= 0;
      case LABEL.u:
        if (!this.#text()) return false;
        block.hasUnit = true;
        block.unitHigh = this.#high;
        block.unitLow = this.#low;
        block.unitStart = this.#start;
        block.unitEnd = this.#end;
        return true;
      case LABEL.vb: {
        const byte = this.#bytes[this.#at];
        this.#at += 1;
        block.flag = byte === TRUE ? 1 : 0;
        return byte === TRUE || byte === FALSE;
      }
      case LABEL.bn:
        return this.#text() && isPlainBaseName(this.#bytes, this.#start, this.#end);
      case LABEL.v:
        return this.#number(RECORD.value);
      case LABEL.t:
        return this.#number(RECORD.time);
      case LABEL.ut:
        return this.#number(RECORD.period);
      case LABEL.bt:
        return this.#number(RECORD.baseTime);
      default:
        return false;
    }
  }

  /** A label is a small whole number in one byte; NaN for any other thing. */
  #label(): number {
    const byte = this.#bytes[this.#at] ?? 0xff;
    this.#at += 1;
    if (byte < 0x18) return byte;
    return byte >= 0x20 && byte < 0x38 ? 0x1f - byte : Number.NaN;
  }

  #text(): boolean {
    const length = this.#head(TEXT);
    const start = this.#at;
    const end = start + length;
    if (!(end <= this.#bytes.length)) return false;
    let high = 0;
    let low = 0;
    for (let at = start; at < end; at += 1) {
      const byte = this.#bytes[at] ?? 0xff;
      if (byte < SPACE || byte > LAST_ASCII) return false;
      high = (high << 8) | (low >>> 24);
      low = (low << 8) | byte;
    }
    this.#high = high;
    this.#low = low;
    this.#start = start;
    this.#end = end;
    this.#at = end;
    return true;
  }

  /** The argument of a head of this major type; NaN for any other thing, and for lengths that are not plain. */
  #head(major: number): number {
    const byte = this.#bytes[this.#at] ?? 0xff;
    if (byte >> 5 !== major) return Number.NaN;
    return this.#argument(byte & 0x1f);
  }

  #argument(info: number): number {
    const at = this.#at + 1;
    if (info < 24) {
      this.#at = at;
      return info;
    }
    const size = info === 24 ? 1 : info === 25 ? 2 : info === 26 ? 4 : 0;
    if (size === 0 || at + size > this.#bytes.length) return Number.NaN;
    this.#at = at + size;
    if (size === 1) return this.#view.getUint8(at);
    return size === 2 ? this.#view.getUint16(at) : this.#view.getUint32(at);
  }

  /** Reads a number to its place in the record, so that it is never an object. */
  #number(place: number): boolean {
    const byte = this.#bytes[this.#at] ?? 0xff;
    if (byte < 0x40) {
      const argument = this.#argument(byte & 0x1f);
      this.#block.record[place] = byte < 0x20 ? argument : -1 - argument;
      return !Number.isNaN(argument);
    }
    const at = this.#at + 1;
    const size = byte === FLOAT_64 ? 8 : byte === FLOAT_32 ? 4 : byte === FLOAT_16 ? 2 : 0;
    if (size === 0 || at + size > this.#bytes.length) return false;
    this.#at = at + size;
    const value = this.#float(size, at);
    this.#block.record[place] = value;
    return Number.isFinite(value);
  }

  #float(size: 2 | 4 | 8, at: number): number {
    if (size === 8) return this.#view.getFloat64(at);
    return size === 4 ? this.#view.getFloat32(at) : halfFloat(this.#view.getUint16(at));
  }
}
