import { ARRAY, BYTES, MAP, NEGATIVE, SIMPLE_OR_FLOAT, TEXT, UNSIGNED } from './cbor-reader.ts';

const FIRST_CAPACITY = 1024;
const UTF8 = new TextEncoder();
const ASCII = /^[ -~]*$/;

/** Writes the part of CBOR that SenML uses (RFC 8949), preferred serialization (section 4.1). */
export class CborWriter {
  private written = new Uint8Array(FIRST_CAPACITY);
  private view = new DataView(this.written.buffer);
  private length = 0;

  bytes(): Uint8Array {
    return this.written.slice(0, this.length);
  }

  list(entries: number): void {
    this.head(ARRAY, entries);
  }

  map(entries: number): void {
    this.head(MAP, entries);
  }

  item(value: string | number | boolean | Uint8Array): void {
    if (typeof value === 'number') this.number(value);
    else if (typeof value === 'boolean') this.head(SIMPLE_OR_FLOAT, value ? 21 : 20);
    else if (typeof value === 'string') this.text(value);
    else this.string(BYTES, value);
  }

  private text(value: string): void {
    // Names and units: an array for each of them would cost more than all the rest of a record.
    if (!ASCII.test(value)) {
      this.string(TEXT, UTF8.encode(value));
      return;
    }
    this.head(TEXT, value.length);
    const at = this.reserve(value.length);
    for (let index = 0; index < value.length; index += 1) this.written[at + index] = value.charCodeAt(index);
  }

  private string(major: number, bytes: Uint8Array): void {
    this.head(major, bytes.length);
    const at = this.reserve(bytes.length);
    this.written.set(bytes, at);
  }

  private number(value: number): void {
    if (Number.isSafeInteger(value)) {
      if (value < 0) this.head(NEGATIVE, -1 - value);
      else this.head(UNSIGNED, value);
      return;
    }
    const isSingle = Object.is(Math.fround(value), value);
    const half = isSingle ? halfFloatBits(value) : undefined;
    if (half !== undefined) {
      this.initialByte(SIMPLE_OR_FLOAT, 25);
      const at = this.reserve(2);
      this.view.setUint16(at, half);
    } else if (isSingle) {
      this.initialByte(SIMPLE_OR_FLOAT, 26);
      const at = this.reserve(4);
      this.view.setFloat32(at, value);
    } else {
      this.initialByte(SIMPLE_OR_FLOAT, 27);
      const at = this.reserve(8);
      this.view.setFloat64(at, value);
    }
  }

  /** RFC 8949 section 3: the major type, and its argument in the fewest bytes. */
  private head(major: number, argument: number): void {
    if (argument < 24) {
      this.initialByte(major, argument);
    } else if (argument < 2 ** 8) {
      this.initialByte(major, 24);
      const at = this.reserve(1);
      this.view.setUint8(at, argument);
    } else if (argument < 2 ** 16) {
      this.initialByte(major, 25);
      const at = this.reserve(2);
      this.view.setUint16(at, argument);
    } else if (argument < 2 ** 32) {
      this.initialByte(major, 26);
      const at = this.reserve(4);
      this.view.setUint32(at, argument);
    } else {
      this.initialByte(major, 27);
      const at = this.reserve(8);
      this.view.setBigUint64(at, BigInt(argument));
    }
  }

  private initialByte(major: number, info: number): void {
    const at = this.reserve(1);
    this.view.setUint8(at, (major << 5) | info);
  }

  /** Makes room for `count` bytes, which may move the buffer; returns where they begin. */
  private reserve(count: number): number {
    const start = this.length;
    this.length += count;
    if (this.length > this.written.length) {
      const grown = new Uint8Array(Math.max(2 * this.written.length, this.length));
      grown.set(this.written);
      this.written = grown;
      this.view = new DataView(grown.buffer);
    }
    return start;
  }
}

/** The IEEE 754 binary16 bits of a value that one holds exactly and normalised, and of NaN and the infinities. */
function halfFloatBits(value: number): number | undefined {
  if (Number.isNaN(value)) return 0x7e00;
  const sign = value < 0 ? 0x8000 : 0;
  const magnitude = Math.abs(value);
  if (magnitude === Number.POSITIVE_INFINITY) return sign | 0x7c00;
  if (magnitude < 2 ** -14 || magnitude >= 2 ** 16) return undefined;
  const exponent = Math.floor(Math.log2(magnitude));
  const fraction = (magnitude / 2 ** exponent - 1) * 1024;
  return Number.isInteger(fraction) && fraction >= 0 && fraction < 1024
    ? sign | ((exponent + 15) << 10) | fraction
    : undefined;
}
