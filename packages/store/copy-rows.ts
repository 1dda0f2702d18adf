// PostgreSQL's binary COPY format, written straight into one buffer: no object, string or array per value.
// https://www.postgresql.org/docs/18/sql-copy.html, "Binary Format".

/** PostgreSQL counts microseconds from 2000-01-01, the rest of the world milliseconds from 1970-01-01. */
const POSTGRES_EPOCH_MS = Date.UTC(2000, 0, 1);
const SIGNATURE = Buffer.from('PGCOPY\n\xff\r\n\0\0\0\0\0\0\0\0\0', 'latin1');
const TWO_32 = 2 ** 32;
const INITIAL_BYTES = 1 << 20;

export class CopyRows {
  #buffer = Buffer.allocUnsafe(INITIAL_BYTES);
  #end = 0;

  constructor() {
    this.clear();
  }

  /** Forgets all rows; the memory is kept for the next ones. */
  clear(): void {
    SIGNATURE.copy(this.#buffer, 0);
    this.#end = SIGNATURE.length;
  }

  /** Starts a row. @param rowBytes an upper bound of what its fields will take */
  row(fields: number, rowBytes: number): void {
    if (this.#end + rowBytes + 4 > this.#buffer.length) this.#grow(rowBytes);
    this.#end = this.#buffer.writeInt16BE(fields, this.#end);
  }

  int4(value: number): void {
    this.#end = this.#buffer.writeInt32BE(value, this.#buffer.writeInt32BE(4, this.#end));
  }

  /** A whole number within +-2^53. */
  int8(value: number | null): void {
    if (value === null) {
      this.#null();
      return;
    }
    const high = Math.floor(value / TWO_32);
    this.#end = this.#buffer.writeInt32BE(8, this.#end);
    this.#end = this.#buffer.writeInt32BE(high, this.#end);
    this.#end = this.#buffer.writeUInt32BE(value - high * TWO_32, this.#end);
  }

  float4(value: number | null): void {
    if (value === null) {
      this.#null();
      return;
    }
    this.#end = this.#buffer.writeFloatBE(value, this.#buffer.writeInt32BE(4, this.#end));
  }

  float8(value: number | null): void {
    if (value === null) {
      this.#null();
      return;
    }
    this.#end = this.#buffer.writeDoubleBE(value, this.#buffer.writeInt32BE(8, this.#end));
  }

  boolean(value: boolean | null): void {
    if (value === null) {
      this.#null();
      return;
    }
    this.#end = this.#buffer.writeUInt8(value ? 1 : 0, this.#buffer.writeInt32BE(1, this.#end));
  }

  /** @param atMs milliseconds since the Unix epoch; fractions down to a microsecond are kept */
  timestamptz(atMs: number): void {
    this.int8(Math.round((atMs - POSTGRES_EPOCH_MS) * 1000));
  }

  /** All rows with header and trailer; valid until the next change. */
  finish(): Buffer {
    const end = this.#buffer.writeInt16BE(-1, this.#end);
    return this.#buffer.subarray(0, end);
  }

  #null(): void {
    this.#end = this.#buffer.writeInt32BE(-1, this.#end);
  }

  #grow(rowBytes: number): void {
    const larger = Buffer.allocUnsafe(Math.max(this.#buffer.length * 2, this.#buffer.length + rowBytes + 4));
    this.#buffer.copy(larger, 0, 0, this.#end);
    this.#buffer = larger;
  }
}
