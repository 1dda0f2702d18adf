// Nearly every pack is plain: quantities by their own names, in order, with nothing wrong. Such a pack is read here
// straight from its bytes into a block of numbers. Whatever is not plain (another label, an escape, an exponent, a
// unit nobody knows, a value out of range, …) makes the reader give up, and the general way, which knows all of
// RFC 8428, reads the pack from its beginning. So plain reading decides nothing by itself: it finds what the general
// way finds, or nothing.

import {
  findPlainQuantity,
  isPlainBaseName,
  LAST_ASCII,
  MOST_WORD_BYTES,
  RECORD,
  type ReadingBlock,
} from './reading-block.ts';

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
const POWERS_OF_TEN = Float64Array.from({ length: MOST_DIGITS + 1 }, (_, power) => 10 ** power);

/** The labels of a plain pack as numbers of their bytes: one or two ASCII characters. */
const LABEL = { n: 0x6e, u: 0x75, v: 0x76, t: 0x74, vb: 0x7662, ut: 0x7574, bn: 0x626e, bt: 0x6274 } as const;

const TRUE = [0x74, 0x72, 0x75, 0x65];
const FALSE = [0x66, 0x61, 0x6c, 0x73, 0x65];

/**
 * Reads a plain pack in JSON into a block that has begun.
 * @returns false when it is not plain
 */
export function readPlainJson(bytes: Uint8Array, block: ReadingBlock): boolean {
  // One function with the place in a local variable: spread over methods it took twice as long.
  const { record } = block;
  let at = afterSpace(bytes, 0);
  if (bytes[at] !== LEFT_BRACKET) return false;
  at += 1;
  while (true) {
    if (bytes[at] !== LEFT_BRACE) {
      at = afterSpace(bytes, at);
      if (bytes[at] !== LEFT_BRACE) return false;
    }
    at += 1;
    while (true) {
      if (bytes[at] !== QUOTE) {
        at = afterSpace(bytes, at);
        if (bytes[at] !== QUOTE) return false;
      }
      let label = bytes[at + 1] ?? 0;
      if (bytes[at + 2] === QUOTE) at += 3;
      else if (bytes[at + 3] === QUOTE) {
        label = (label << 8) | (bytes[at + 2] ?? 0);
        at += 4;
      } else return false;
      if (bytes[at] !== COLON) {
        at = afterSpace(bytes, at);
        if (bytes[at] !== COLON) return false;
      }
      at += 1;
      let byte = bytes[at] ?? 0;
      if (byte <= SPACE) {
        at = afterSpace(bytes, at);
        byte = bytes[at] ?? 0;
      }

      if (label === LABEL.n || label === LABEL.u || label === LABEL.bn) {
        if (byte !== QUOTE) return false;
        at += 1;
        const start = at;
        let high = 0;
        let low = 0;
        for (byte = bytes[at] ?? 0; byte !== QUOTE; byte = bytes[at] ?? 0) {
          if (byte < SPACE || byte > LAST_ASCII || byte === BACKSLASH) return false;
          high = (high << 8) | (low >>> 24);
          low = (low << 8) | byte;
          at += 1;
        }
        if (label === LABEL.n) {
          if (at - start > MOST_WORD_BYTES) return false;
          block.quantity = findPlainQuantity(high, low);
          if (block.quantity < 0) return false;
        } else if (label === LABEL.u) {
          block.hasUnit = true;
          block.unitHigh = high;
          block.unitLow = low;
          block.unitStart = start;
          block.unitEnd = at;
        } else if (!isPlainBaseName(bytes, start, at)) return false;
        at += 1;
      } else if (label === LABEL.vb) {
        const text = byte === TRUE[0] ? TRUE : FALSE;
        if (!text.every((letter, index) => bytes[at + index] === letter)) return false;
        block.flag = text === TRUE ? 1 : 0;
        at += text.length;
      } else {
        const negative = byte === MINUS;
        if (negative) {
          at += 1;
          byte = bytes[at] ?? 0;
        }
        const start = at;
        let number = 0;
        while (byte >= ZERO && byte <= NINE) {
          number = number * 10 + (byte - ZERO);
          at += 1;
          byte = bytes[at] ?? 0;
        }
        let digits = at - start;
        // JSON has no number that begins with a needless zero, or with the point.
        if (digits === 0 || (digits > 1 && bytes[start] === ZERO)) return false;
        if (byte === POINT) {
          at += 1;
          byte = bytes[at] ?? 0;
          const point = at;
          while (byte >= ZERO && byte <= NINE) {
            number = number * 10 + (byte - ZERO);
            at += 1;
            byte = bytes[at] ?? 0;
          }
          const decimals = at - point;
          digits += decimals;
          if (decimals === 0 || digits > MOST_DIGITS) return false;
          number /= POWERS_OF_TEN[decimals] ?? 1;
        }
        if (digits > MOST_DIGITS) return false;
        if (negative) number = -number;
        if (label === LABEL.v) record[RECORD.value] = number;
        else if (label === LABEL.t) record[RECORD.time] = number;
        else if (label === LABEL.ut) record[RECORD.period] = number;
        else if (label === LABEL.bt) record[RECORD.baseTime] = number;
        else return false;
      }

      // What follows a number, an exponent say, is neither of these.
      byte = bytes[at] ?? 0;
      if (byte <= SPACE) {
        at = afterSpace(bytes, at);
        byte = bytes[at] ?? 0;
      }
      at += 1;
      if (byte === COMMA) continue;
      if (byte !== RIGHT_BRACE) return false;
      break;
    }
    if (!block.endRecord(bytes)) return false;
    let byte = bytes[at] ?? 0;
    if (byte <= SPACE) {
      at = afterSpace(bytes, at);
      byte = bytes[at] ?? 0;
    }
    at += 1;
    if (byte === COMMA) continue;
    return byte === RIGHT_BRACKET && afterSpace(bytes, at) === bytes.length;
  }
}

function afterSpace(bytes: Uint8Array, start: number): number {
  let at = start;
  while (at < bytes.length) {
    const byte = bytes[at];
    if (byte !== SPACE && byte !== 0x0a && byte !== 0x0d && byte !== 0x09) break;
    at += 1;
  }
  return at;
}
