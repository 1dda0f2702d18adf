// PostgreSQL's binary COPY format, written straight into one buffer: no object, string or array per value.
// NaN stands for null: no column here holds a number that is none.
// https://www.postgresql.org/docs/18/sql-copy.html, "Binary Format".

/** PostgreSQL counts microseconds from 2000-01-01, the rest of the world milliseconds from 1970-01-01. */
const POSTGRES_EPOCH_MS = Date.UTC(2000, 0, 1);
const SIGNATURE = Buffer.from('PGCOPY\n\xff\r\n\0\0\0\0\0\0\0\0\0', 'latin1');
const TWO_32 = 2 ** 32;
const INITIAL_BYTES = 1 << 18;
const TRAILER_BYTES = 2;
/** More than one batch needs is not kept for the next. */
const KEPT_BYTES = 1 << 23;

export class CopyRows {
  #buffer = Buffer.allocUnsafe(INITIAL_BYTES);
  #view = viewOf(this.#buffer);
  #end = 0;
  #rows = 0;

  constructor() {
    this.clear();
  }

  get rows(): number {
    return this.#rows;
  }

  /** Forgets all rows; the memory is kept for the next ones. */
  clear(): void {
    if (this.#buffer.length > KEPT_BYTES) this.#resize(INITIAL_BYTES);
    SIGNATURE.copy(this.#buffer, 0);
    this.#end = SIGNATURE.length;
    this.#rows = 0;
  }

  /** Starts a row. @param rowBytes an upper bound of what its fields will take */
  row(fields: number, rowBytes: number): void {
    const needed = this.#end + 2 + rowBytes + TRAILER_BYTES;
    if (needed > this.#buffer.length) this.#resize(Math.max(this.#buffer.length * 2, needed));
    this.#view.setInt16(this.#end, fields);
    this.#end += 2;
    this.#rows += 1;
  }

  int4(value: number): void {
    this.#view.setInt32(this.#end, 4);
    this.#view.setInt32(this.#end + 4, value);
    this.#end += 8;
  }

  /** A whole number within +-2^53. */
  int8(value: number): void {
    if (Number.isNaN(value)) {
      this.#null();
      return;
    }
    const high = Math.floor(value / TWO_32);
    this.#view.setInt32(this.#end, 8);
    this.#view.setInt32(this.#end + 4, high);
    this.#view.setUint32(this.#end + 8, value - high * TWO_32);
    this.#end += 12;
  }

  float4(value: number): void {
    if (Number.isNaN(value)) {
      this.#null();
      return;
    }
    this.#view.setInt32(this.#end, 4);
    this.#view.setFloat32(this.#end + 4, value);
    this.#end += 8;
  }

  float8(value: number): void {
    if (Number.isNaN(value)) {
      this.#null();
      return;
    }
    this.#view.setInt32(this.#end, 8);
    this.#view.setFloat64(this.#end + 4, value);
    this.#end += 12;
  }

  /** @param value 1 = true, 0 = false */
  boolean(value: number): void {
    if (Number.isNaN(value)) {
      this.#null();
      return;
    }
    this.#view.setInt32(this.#end, 1);
    this.#view.setInt8(this.#end + 4, value);
    this.#end += 5;
  }

  /** @param atMs milliseconds since the Unix epoch; fractions down to a microsecond are kept */
  timestamptz(atMs: number): void {
    this.int8(Math.round((atMs - POSTGRES_EPOCH_MS) * 1000));
  }

  /** All rows with header and trailer; valid until the next change. */
  finish(): Buffer {
    this.#view.setInt16(this.#end, -1);
    return this.#buffer.subarray(0, this.#end + TRAILER_BYTES);
  }

  #null(): void {
    this.#view.setInt32(this.#end, -1);
    this.#end += 4;
  }

  #resize(bytes: number): void {
    const other = Buffer.allocUnsafe(bytes);
    this.#buffer.copy(other, 0, 0, Math.min(this.#end, bytes));
    this.#buffer = other;
    this.#view = viewOf(other);
  }
}

function viewOf(buffer: Buffer): DataView {
  return new DataView(buffer.buffer, buffer.byteOffset, buffer.byteLength);
}
