import { asciiText, findPlainQuantity, LAST_ASCII, type PlainPack } from './plain-pack.ts';

const QUOTE = 0x22;
const COMMA = 0x2c;
const MINUS = 0x2d;
const POINT = 0x2e;
const ZERO = 0x30;
const NINE = 0x39;
const COLON = 0x3a;
const LEFT_BRACKET = 0x5b;
const BACKSLASH = 0x5c;
const RIGHT_BRACKET = 0x5d;
const LEFT_BRACE = 0x7b;
const RIGHT_BRACE = 0x7d;
const SPACE = 0x20;

/** A whole number below 2^53 divided by a power of ten up to 10^22 is rounded once, as reading the text would. */
const MOST_DIGITS = 15;
const POWERS_OF_TEN = Array.from({ length: MOST_DIGITS + 1 }, (_, power) => 10 ** power);

/** The labels of a plain pack as numbers of their bytes: one or two ASCII characters. */
const LABEL = { n: 0x6e, u: 0x75, v: 0x76, t: 0x74, vb: 0x7662, ut: 0x7574, bn: 0x626e, bt: 0x6274 } as const;

/** Reads a plain pack in JSON. @returns false when it is not plain */
export function readPlainJson(bytes: Uint8Array, pack: PlainPack): boolean {
  return new PlainJson(bytes, pack).read();
}

class PlainJson {
  readonly #bytes: Uint8Array;
  readonly #pack: PlainPack;
  #at = 0;
  /** Of the string read last. */
  #start = 0;
  #end = 0;

  constructor(bytes: Uint8Array, pack: PlainPack) {
    this.#bytes = bytes;
    this.#pack = pack;
  }

  read(): boolean {
    if (!this.#step(LEFT_BRACKET)) return false;
    do {
      if (!this.#record()) return false;
    } while (this.#step(COMMA));
    return this.#step(RIGHT_BRACKET) && this.#peek() === undefined;
  }

  #record(): boolean {
    if (!this.#step(LEFT_BRACE)) return false;
    do {
      if (!this.#string() || !this.#step(COLON) || !this.#field(this.#label())) return false;
    } while (this.#step(COMMA));
    return this.#step(RIGHT_BRACE) && this.#pack.endRecord();
  }

  #field(label: number): boolean {
    const pack = this.#pack;
    switch (label) {
      case LABEL.n:
        if (!this.#string()) return false;
        pack.quantity = findPlainQuantity(this.#bytes, this.#start, this.#end);
        return pack.quantity !== undefined;
      case LABEL.u:
        if (!this.#string()) return false;
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
      case LABEL.vb:
        pack.flag = this.#boolean();
        return pack.flag !== undefined;
      case LABEL.bn:
        return this.#string() && pack.setBaseName(asciiText(this.#bytes, this.#start, this.#end));
      case LABEL.bt: {
        const time = this.#number();
        pack.setBaseTime(time);
        return !Number.isNaN(time);
      }
      default:
        return false;
    }
  }

  #label(): number {
    const first = this.#bytes[this.#start] ?? 0;
    const length = this.#end - this.#start;
    if (length === 1) return first;
    return length === 2 ? (first << 8) | (this.#bytes[this.#start + 1] ?? 0) : -1;
  }

  /** The next byte that is no white space. */
  #peek(): number | undefined {
    let byte = this.#bytes[this.#at];
    while (byte === SPACE || byte === 0x0a || byte === 0x0d || byte === 0x09) {
      this.#at += 1;
      byte = this.#bytes[this.#at];
    }
    return byte;
  }

  #step(byte: number): boolean {
    if (this.#peek() !== byte) return false;
    this.#at += 1;
    return true;
  }

  #string(): boolean {
    if (!this.#step(QUOTE)) return false;
    const bytes = this.#bytes;
    let at = this.#at;
    this.#start = at;
    for (let byte = bytes[at]; byte !== QUOTE; byte = bytes[at]) {
      if (byte === undefined || byte < SPACE || byte > LAST_ASCII || byte === BACKSLASH) return false;
      at += 1;
    }
    this.#end = at;
    this.#at = at + 1;
    return true;
  }

  #boolean(): boolean | undefined {
    this.#peek();
    for (const [text, value] of BOOLEANS) {
      if (text.every((byte, index) => this.#bytes[this.#at + index] === byte)) {
        this.#at += text.length;
        return value;
      }
    }
    return undefined;
  }

  /** A number without exponent and of few digits; NaN for any other thing. */
  #number(): number {
    let byte = this.#peek();
    const bytes = this.#bytes;
    let at = this.#at;
    const negative = byte === MINUS;
    if (negative) byte = bytes[++at];
    const start = at;
    let whole = 0;
    while (byte !== undefined && byte >= ZERO && byte <= NINE) {
      whole = whole * 10 + (byte - ZERO);
      byte = bytes[++at];
    }
    const wholeDigits = at - start;
    // JSON has no number that begins with a needless zero, or with the point.
    if (wholeDigits === 0 || (wholeDigits > 1 && bytes[start] === ZERO)) return Number.NaN;
    let decimals = 0;
    if (byte === POINT) {
      const point = at;
      byte = bytes[++at];
      while (byte !== undefined && byte >= ZERO && byte <= NINE) {
        whole = whole * 10 + (byte - ZERO);
        byte = bytes[++at];
      }
      decimals = at - point - 1;
      if (decimals === 0) return Number.NaN;
    }
    if (wholeDigits + decimals > MOST_DIGITS || byte === 0x65 || byte === 0x45) return Number.NaN;
    this.#at = at;
    const value = decimals === 0 ? whole : whole / (POWERS_OF_TEN[decimals] ?? 1);
    return negative ? -value : value;
  }
}

const BOOLEANS = [
  [[0x74, 0x72, 0x75, 0x65], true],
  [[0x66, 0x61, 0x6c, 0x73, 0x65], false],
] as const;
