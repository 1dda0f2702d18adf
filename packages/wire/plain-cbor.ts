import { halfFloat } from './cbor-reader.ts';
import { asciiText, findPlainQuantity, LAST_ASCII, type PlainPack } from './plain-pack.ts';

/** RFC 8428 table 4: the labels of a plain pack. */
const LABEL = { bn: -2, bt: -3, n: 0, u: 1, v: 2, vb: 4, t: 6, ut: 7 } as const;
/** RFC 8949 section 3.1. */
const ARRAY = 4;
const MAP = 5;
const TEXT = 3;
const FALSE = 0xf4;
const TRUE = 0xf5;
const FLOAT_16 = 0xf9;
const FLOAT_32 = 0xfa;
const FLOAT_64 = 0xfb;

/** Reads a plain pack in CBOR. @returns false when it is not plain */
export function readPlainCbor(bytes: Uint8Array, pack: PlainPack): boolean {
  return new PlainCbor(bytes, pack).read();
}

class PlainCbor {
  readonly #bytes: Uint8Array;
  readonly #view: DataView;
  readonly #pack: PlainPack;
  #at = 0;
  #start = 0;
  #end = 0;

  constructor(bytes: Uint8Array, pack: PlainPack) {
    this.#bytes = bytes;
    this.#view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
    this.#pack = pack;
  }

  read(): boolean {
    const records = this.#head(ARRAY);
    if (!(records > 0)) return false;
    for (let record = 0; record < records; record += 1) {
      const fields = this.#head(MAP);
      if (Number.isNaN(fields)) return false;
      for (let field = 0; field < fields; field += 1) if (!this.#field()) return false;
      if (!this.#pack.endRecord()) return false;
    }
    return this.#at === this.#bytes.length;
  }

  #field(): boolean {
    const pack = this.#pack;
    switch (this.#label()) {
      case LABEL.n:
        if (!this.#text()) return false;
        pack.quantity = findPlainQuantity(this.#bytes, this.#start, this.#end);
        return pack.quantity !== undefined;
      case LABEL.u:
        if (!this.#text()) return false;
        pack.unitStart = this.#start;
        pack.unitEnd = this.#end;
        return true;
      case LABEL.v:
        pack.value = this.#number();
        return !Number.isNaN(pack.value);
      case LABEL.t:
        pack.time = this.#number();
        return !Number.isNaN(pack.time);
      case LABEL.ut:
        pack.period = this.#number();
        return !Number.isNaN(pack.period);
      case LABEL.vb: {
        const byte = this.#bytes[this.#at];
        this.#at += 1;
        pack.flag = byte === TRUE;
        return byte === TRUE || byte === FALSE;
      }
      case LABEL.bn:
        return this.#text() && pack.setBaseName(asciiText(this.#bytes, this.#start, this.#end));
      case LABEL.bt: {
        const time = this.#number();
        pack.setBaseTime(time);
        return !Number.isNaN(time);
      }
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
    for (let at = start; at < end; at += 1) if ((this.#bytes[at] ?? 0xff) > LAST_ASCII) return false;
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

  #number(): number {
    const byte = this.#bytes[this.#at] ?? 0xff;
    if (byte < 0x40) {
      const argument = this.#argument(byte & 0x1f);
      return byte < 0x20 ? argument : -1 - argument;
    }
    const at = this.#at + 1;
    const size = byte === FLOAT_64 ? 8 : byte === FLOAT_32 ? 4 : byte === FLOAT_16 ? 2 : 0;
    if (size === 0 || at + size > this.#bytes.length) return Number.NaN;
    this.#at = at + size;
    const value = this.#float(size, at);
    return Number.isFinite(value) ? value : Number.NaN;
  }

  #float(size: 2 | 4 | 8, at: number): number {
    if (size === 8) return this.#view.getFloat64(at);
    return size === 4 ? this.#view.getFloat32(at) : halfFloat(this.#view.getUint16(at));
  }
}
