// Readings of one device as a block of numbers: a row a time, a slot a quantity. Nearly every pack is read into such
// a block straight from its bytes and copied from it straight into the database, without an object a reading, a
// record or a value. NaN = not told.

import { findQuantity } from './quantities.ts';
import {
  BATTERY_QUANTITIES,
  type BatteryQuantity,
  emptyBatteryReading,
  emptyMeterReading,
  METER_QUANTITIES,
  type MeterQuantity,
  PERIOD,
  type Reading,
} from './reading.ts';
import { FIRST_ABSOLUTE_TIME, MAX_BASE_NAME } from './senml.ts';
import { convert } from './units.ts';

/** What both kinds have comes first, so that it has its slot before the kind of a pack is known. */
const OF_BOTH = ['at', 'rssi', 'seq', PERIOD.quantity];
const AT = 0;
const PERIOD_SLOT = OF_BOTH.indexOf(PERIOD.quantity);
const SLOTS = OF_BOTH.length + METER_QUANTITIES.length;
const INITIAL_ROWS = 64;

export type ReadingKind = Reading['kind'];

/** The slots of a row in the order of the kind's quantities, which is that of the table's columns. */
export const QUANTITY_SLOTS: Readonly<Record<ReadingKind, readonly number[]>> = {
  meter: slotsOf(METER_QUANTITIES),
  battery: slotsOf(BATTERY_QUANTITIES),
};

function slotsOf(quantities: readonly (MeterQuantity | BatteryQuantity)[]): number[] {
  let next = OF_BOTH.length;
  return quantities.map(({ quantity }) => (OF_BOTH.includes(quantity) ? OF_BOTH.indexOf(quantity) : next++));
}

/** A quantity as the plain readers find it: by its place in the tables below. */
const QUANTITIES = [...METER_QUANTITIES, ...BATTERY_QUANTITIES]
  .filter(({ quantity }, index, all) => all.findIndex((other) => other.quantity === quantity) === index)
  .filter(({ quantity }) => quantity !== PERIOD.quantity)
  .map((quantity) => {
    const wire = findQuantity(quantity.quantity);
    const kind: ReadingKind | undefined =
      wire?.meter === undefined ? 'battery' : wire.battery === undefined ? 'meter' : undefined;
    const all = kind === 'battery' ? BATTERY_QUANTITIES : METER_QUANTITIES;
    const column = all.findIndex((other) => other.quantity === quantity.quantity);
    const slot = QUANTITY_SLOTS[kind ?? 'meter'][column] ?? 0;
    return { ...quantity, kind, slot, conversions: wire?.conversions ?? null };
  });

/** Text of at most eight ASCII characters as two numbers of 32 bits; no two such texts have the same. */
interface Word {
  readonly high: number;
  readonly low: number;
}

export const MOST_WORD_BYTES = 8;

function wordOf(text: string): Word {
  let [high, low] = [0, 0];
  for (const character of text) {
    high = (high << 8) | (low >>> 24);
    low = (low << 8) | character.charCodeAt(0);
  }
  return { high, low };
}

// The same in tables of numbers, which a hot loop reads without following a pointer.
const NAMES_HIGH = Int32Array.from(QUANTITIES, ({ quantity }) => wordOf(quantity).high);
const NAMES_LOW = Int32Array.from(QUANTITIES, ({ quantity }) => wordOf(quantity).low);
const UNITS_HIGH = Int32Array.from(QUANTITIES, ({ unit }) => wordOf(unit ?? '').high);
const UNITS_LOW = Int32Array.from(QUANTITIES, ({ unit }) => wordOf(unit ?? '').low);
const QUANTITY_SLOT = Uint8Array.from(QUANTITIES, ({ slot }) => slot);
const KINDS = QUANTITIES.map(({ kind }) => kind);
const IS_BOOLEAN = Uint8Array.from(QUANTITIES, ({ type }) => Number(type === 'boolean'));
const IS_WHOLE = Uint8Array.from(QUANTITIES, ({ type }) => Number(type === 'integer'));
const LEAST = Float64Array.from(QUANTITIES, (one) => (one.type === 'boolean' ? 0 : one.min));
const MOST = Float64Array.from(QUANTITIES, (one) => (one.type === 'boolean' ? 1 : one.max));

/** Open addressing: 256 places for a few dozen names. 0 = free, otherwise the quantity's number plus one. */
const PLACES = new Uint8Array(256);
QUANTITIES.forEach((_, index) => {
  let place = placeOf(NAMES_HIGH[index] ?? 0, NAMES_LOW[index] ?? 0);
  while (PLACES[place] !== 0) place = (place + 1) & 0xff;
  PLACES[place] = index + 1;
});

function placeOf(high: number, low: number): number {
  return Math.imul(low ^ Math.imul(high, 31), 0x9e3779b1) >>> 24;
}

/** The number of the quantity of this name; -1 = none. */
export function findPlainQuantity(high: number, low: number): number {
  for (let place = placeOf(high, low); ; place = (place + 1) & 0xff) {
    const index = (PLACES[place] ?? 0) - 1;
    if (index === -1 || (NAMES_LOW[index] === low && NAMES_HIGH[index] === high)) return index;
  }
}

/** Where the numbers of the record that is being read are put. */
export const RECORD = { value: 0, time: 1, period: 2, baseTime: 3 } as const;

/** How old a reading may be, and how far ahead of its arrival. */
export interface AgeLimits {
  readonly maxAgeMs: number;
  readonly maxAheadMs: number;
}

/** One block serves one message after another. */
export class ReadingBlock {
  /** All rows, SLOTS numbers each. */
  values = new Float64Array(SLOTS * INITIAL_ROWS);
  kind: ReadingKind | undefined;
  count = 0;

  // The record that is being read, for the plain readers. NaN and negative numbers = not there.
  readonly record = new Float64Array(4);
  quantity = -1;
  flag = -1;
  hasUnit = false;
  unitHigh = 0;
  unitLow = 0;
  unitStart = 0;
  unitEnd = 0;

  #row = 0;
  #nowS = 0;
  #earliestAt = 0;
  #latestAt = 0;

  /** Where a row begins in `values`. */
  offsetOf(row: number): number {
    return row * SLOTS;
  }

  /** Device time, milliseconds since the Unix epoch. */
  at(row: number): number {
    return this.values[row * SLOTS] ?? 0;
  }

  /** Forgets all readings, and begins the first record of a pack. */
  begin(receivedAtMs: number, { maxAgeMs, maxAheadMs }: AgeLimits): void {
    this.kind = undefined;
    this.count = 0;
    this.#row = 0;
    this.#nowS = receivedAtMs / 1000;
    this.#earliestAt = receivedAtMs - maxAgeMs;
    this.#latestAt = receivedAtMs + maxAheadMs;
    this.record[RECORD.baseTime] = 0;
    this.#beginRecord();
  }

  #beginRecord(): void {
    const { record } = this;
    // A call of fill() for three numbers took as long as all the rest of a record's end.
    record[RECORD.value] = Number.NaN;
    record[RECORD.time] = Number.NaN;
    record[RECORD.period] = Number.NaN;
    this.quantity = -1;
    this.flag = -1;
    this.hasUnit = false;
  }

  /**
   * Puts the record that was read into the row of its time, and begins the next one.
   * @returns false for anything that is not plain: the general way reads the pack then
   */
  endRecord(bytes: Uint8Array): boolean {
    const { record, quantity } = this;
    const time = record[RECORD.time] ?? 0;
    const period = record[RECORD.period] ?? 0;
    let value = record[RECORD.value] ?? 0;
    if (quantity < 0) {
      // Base fields alone; a record without a name of its own is not plain.
      const isBare = Number.isNaN(time) && Number.isNaN(period) && !this.hasUnit;
      return isBare && Number.isNaN(value) && this.flag < 0;
    }
    if (IS_BOOLEAN[quantity] === 1) {
      if (this.flag < 0 || !Number.isNaN(value)) return false;
      value = this.flag;
    } else {
      if (this.flag >= 0) return false;
      const isOwn = this.unitLow === UNITS_LOW[quantity] && this.unitHigh === UNITS_HIGH[quantity];
      // As the general way adds it to a base value of zero, which makes -0 a 0.
      value = this.hasUnit && !isOwn ? this.#inOwnUnit(value, bytes) : 0 + value;
      if (IS_WHOLE[quantity] === 1 && !Number.isInteger(value)) return false;
    }
    if (!(value >= (LEAST[quantity] ?? 0) && value <= (MOST[quantity] ?? 0))) return false;
    const kind = KINDS[quantity];
    if (kind !== undefined && kind !== this.kind) {
      if (this.kind !== undefined) return false;
      this.kind = kind;
    }
    if (!this.#find((record[RECORD.baseTime] ?? 0) + (Number.isNaN(time) ? 0 : time))) return false;
    const { values } = this;
    const offset = this.#row * SLOTS;
    if (!Number.isNaN(period)) {
      if (!(period >= PERIOD.min && period <= PERIOD.max)) return false;
      const earlier = values[offset + PERIOD_SLOT] ?? 0;
      if (!Number.isNaN(earlier) && earlier !== period) return false;
      values[offset + PERIOD_SLOT] = period;
    }
    const slot = offset + (QUANTITY_SLOT[quantity] ?? 0);
    const earlier = values[slot] ?? 0;
    values[slot] = value;
    this.#beginRecord();
    return Number.isNaN(earlier) || earlier === value;
  }

  /** NaN where the unit does not fit. */
  #inOwnUnit(value: number, bytes: Uint8Array): number {
    const conversions = QUANTITIES[this.quantity]?.conversions ?? null;
    if (conversions === null) return 0 + value;
    const conversion = conversions.get(asciiText(bytes, this.unitStart, this.unitEnd));
    return conversion === undefined ? Number.NaN : convert(0 + value, conversion);
  }

  /** Times come in order, or again and again in the same order; where neither holds, the pack is not plain. */
  #find(sumS: number): boolean {
    const at = Math.round((sumS < FIRST_ABSOLUTE_TIME ? this.#nowS + sumS : sumS) * 1000);
    const { count } = this;
    if (count > 0 && this.at(this.#row) === at) return true;
    if (!(at >= this.#earliestAt && at <= this.#latestAt)) return false;
    if (count === 0 || at > this.at(count - 1)) {
      this.#addRow(at);
      return true;
    }
    // Binary search: rows are in order of time.
    let low = 0;
    let high = count - 1;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (this.at(middle) < at) low = middle + 1;
      else high = middle;
    }
    this.#row = low;
    return this.at(low) === at;
  }

  #addRow(at: number): void {
    const offset = this.count * SLOTS;
    if (offset + SLOTS > this.values.length) {
      const larger = new Float64Array(this.values.length * 2);
      larger.set(this.values);
      this.values = larger;
    }
    this.values.fill(Number.NaN, offset, offset + SLOTS);
    this.values[offset + AT] = at;
    this.#row = this.count;
    this.count += 1;
  }

  /** One reading alone. */
  holdOnly(reading: Reading): void {
    this.count = 0;
    this.kind = reading.kind;
    this.#addRow(reading.at);
    const slots = QUANTITY_SLOTS[reading.kind];
    const quantities = reading.kind === 'meter' ? METER_QUANTITIES : BATTERY_QUANTITIES;
    const fields: Readonly<Record<string, number | boolean | string | null>> = reading;
    quantities.forEach(({ field }, index) => {
      const value = fields[field] ?? null;
      if (value !== null) this.values[slots[index] ?? 0] = Number(value);
    });
  }

  /** The same as readings, in chronological order. @param device the device of the topic */
  toReadings(device: string): Reading[] {
    return Array.from({ length: this.count }, (_, row) => {
      const tell = (slot: number) => this.values[this.offsetOf(row) + slot] ?? Number.NaN;
      return this.kind === 'meter' ? meterReadingOf(device, tell) : batteryReadingOf(device, tell);
    });
  }
}

function meterReadingOf(device: string, tell: (slot: number) => number): Reading {
  const reading = emptyMeterReading(device, tell(AT));
  METER_QUANTITIES.forEach(({ field }, index) => {
    const value = tell(QUANTITY_SLOTS.meter[index] ?? 0);
    if (!Number.isNaN(value)) reading[field] = value;
  });
  return reading;
}

function batteryReadingOf(device: string, tell: (slot: number) => number): Reading {
  const reading = emptyBatteryReading(device, tell(AT));
  BATTERY_QUANTITIES.forEach((quantity, index) => {
    const value = tell(QUANTITY_SLOTS.battery[index] ?? 0);
    if (Number.isNaN(value)) return;
    if (quantity.type === 'boolean') reading[quantity.field] = value === 1;
    else reading[quantity.field] = value;
  });
  return reading;
}

function asciiText(bytes: Uint8Array, start: number, end: number): string {
  let text = '';
  for (let at = start; at < end; at += 1) text += String.fromCharCode(bytes[at] ?? 0);
  return text;
}

/** Bytes are plain up to here; what is beyond needs a real decoder. */
export const LAST_ASCII = 0x7f;
/** RFC 8428 section 4.5.1: letters and digits, and after the first character also - : . / _ */
const NAME_BYTES = Uint8Array.from({ length: LAST_ASCII + 1 }, (_, byte) => {
  const character = String.fromCharCode(byte);
  return /[A-Za-z0-9]/.test(character) ? 2 : /[-:./_]/.test(character) ? 1 : 0;
});
const SLASH = 0x2f;
const COLON = 0x3a;

/** A base name that a quantity's own name can follow; a name that both make up together is not looked for. */
export function isPlainBaseName(bytes: Uint8Array, start: number, end: number): boolean {
  if (start === end) return true;
  if (end - start > MAX_BASE_NAME || NAME_BYTES[bytes[start] ?? 0] !== 2) return false;
  for (let at = start; at < end; at += 1) if ((NAME_BYTES[bytes[at] ?? 0] ?? 0) === 0) return false;
  const last = bytes[end - 1];
  return last === SLASH || last === COLON;
}
