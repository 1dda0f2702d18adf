// Nearly every pack is plain: quantities by their own names, in order, with nothing wrong. Such a pack is read here
// straight from its bytes into readings, without an object a record, about five times as fast as by the general
// way. Whatever is not plain (another label, an escape, a unit nobody knows, a value out of range, …) makes the
// readers give up, and the general way, which knows all of RFC 8428, reads the pack from its beginning. So plain
// reading decides nothing by itself: it finds what the general way finds, or nothing.

import { findQuantity, findRangeProblem, type WireQuantity } from './quantities.ts';
import {
  BATTERY_QUANTITIES,
  type BatteryReading,
  emptyBatteryReading,
  emptyMeterReading,
  METER_QUANTITIES,
  type MeterReading,
  PERIOD,
  type Reading,
} from './reading.ts';
import { FIRST_ABSOLUTE_TIME, MAX_BASE_NAME, NAME_PATTERN } from './senml.ts';
import { convert } from './units.ts';

/** A quantity as the plain readers find it. */
export interface PlainQuantity extends WireQuantity {
  readonly nameBytes: Uint8Array;
  readonly unitBytes: Uint8Array;
}

const ENCODER = new TextEncoder();
/** Bytes are plain up to here; what is beyond needs a real decoder. */
export const LAST_ASCII = 0x7f;

/** By the hash of their names; two of the same hash would not both be plain, which a test rules out. */
const QUANTITIES: ReadonlyMap<number, PlainQuantity> = new Map(
  [...METER_QUANTITIES, ...BATTERY_QUANTITIES].flatMap(({ quantity, unit }) => {
    const wire = findQuantity(quantity);
    if (wire === undefined) return [];
    const nameBytes = ENCODER.encode(quantity);
    const plain: PlainQuantity = { ...wire, nameBytes, unitBytes: ENCODER.encode(unit ?? '') };
    return [[hashOf(nameBytes, 0, nameBytes.length), plain] as const];
  }),
);

function hashOf(bytes: Uint8Array, start: number, end: number): number {
  let hash = 0;
  for (let at = start; at < end; at += 1) hash = (hash * 31 + (bytes[at] ?? 0)) | 0;
  return hash;
}

/** The quantity whose name these bytes are. */
export function findPlainQuantity(bytes: Uint8Array, start: number, end: number): PlainQuantity | undefined {
  const found = QUANTITIES.get(hashOf(bytes, start, end));
  return found !== undefined && isEqual(found.nameBytes, bytes, start, end) ? found : undefined;
}

function isEqual(name: Uint8Array, bytes: Uint8Array, start: number, end: number): boolean {
  if (end - start !== name.length) return false;
  for (let at = 0; at < name.length; at += 1) if (bytes[start + at] !== name[at]) return false;
  return true;
}

/** Text of a slice that is known to be ASCII. */
export function asciiText(bytes: Uint8Array, start: number, end: number): string {
  let text = '';
  for (let at = start; at < end; at += 1) text += String.fromCharCode(bytes[at] ?? 0);
  return text;
}

/** Takes the records of one pack. A method that returns false has met something that is not plain. */
export class PlainPack {
  // The record that is being read. Numbers that are not there are NaN, so that each field keeps one representation.
  quantity: PlainQuantity | undefined;
  value = Number.NaN;
  flag: boolean | undefined;
  time = Number.NaN;
  period = Number.NaN;
  unitStart = -1;
  unitEnd = -1;

  readonly #bytes: Uint8Array;
  readonly #device: string;
  readonly #nowS: number;
  readonly #earliestAt: number;
  readonly #latestAt: number;
  #baseTime = 0;
  #readings: Reading[] = [];
  #last: Reading | undefined;
  #kind: 'meter' | 'battery' | undefined;
  /** Of either kind, until it is known which one the pack has. */
  #ofEither: { quantity: PlainQuantity; at: number; value: number; period: number }[] = [];

  constructor(bytes: Uint8Array, device: string, receivedAtMs: number, maxAgeMs: number, maxAheadMs: number) {
    this.#bytes = bytes;
    this.#device = device;
    this.#nowS = receivedAtMs / 1000;
    this.#earliestAt = receivedAtMs - maxAgeMs;
    this.#latestAt = receivedAtMs + maxAheadMs;
  }

  setBaseName(name: string): boolean {
    // A name that a base name and a name make up together is not looked for.
    return name === '' || (/[/:]$/.test(name) && name.length <= MAX_BASE_NAME && NAME_PATTERN.test(name));
  }

  setBaseTime(time: number): void {
    this.#baseTime = time;
  }

  /** Puts the record that was read into the reading of its time, and begins the next one. */
  endRecord(): boolean {
    const { quantity, period } = this;
    if (quantity === undefined) {
      // Base fields alone; a record without a name of its own is not plain.
      return Number.isNaN(this.value) && this.flag === undefined && this.#isBare();
    }
    const value = this.#valueOf(quantity);
    const sum = this.#baseTime + (Number.isNaN(this.time) ? 0 : this.time);
    const at = Math.round((sum < FIRST_ABSOLUTE_TIME ? this.#nowS + sum : sum) * 1000);
    if (value === undefined || !(at >= this.#earliestAt && at <= this.#latestAt)) return false;
    if (!Number.isNaN(period) && findRangeProblem(PERIOD, period) !== undefined) return false;
    this.quantity = undefined;
    this.value = Number.NaN;
    this.flag = undefined;
    this.time = Number.NaN;
    this.period = Number.NaN;
    this.unitStart = -1;
    if (quantity.meter !== undefined && quantity.battery !== undefined) {
      if (typeof value !== 'number') return false;
      this.#ofEither.push({ quantity, at, value, period });
      return true;
    }
    const kind = quantity.meter === undefined ? 'battery' : 'meter';
    this.#kind ??= kind;
    return this.#kind === kind && this.#put(quantity, at, value, period);
  }

  /** All readings in chronological order; undefined when the pack is not plain after all. */
  end(): Reading[] | undefined {
    if (this.#kind === undefined) return undefined;
    for (const { quantity, at, value, period } of this.#ofEither) {
      if (!this.#put(quantity, at, value, period)) return undefined;
    }
    return this.#readings;
  }

  #isBare(): boolean {
    return Number.isNaN(this.time) && Number.isNaN(this.period) && this.unitStart < 0;
  }

  #valueOf(quantity: PlainQuantity): number | boolean | undefined {
    const definition = quantity.meter ?? quantity.battery;
    if (definition === undefined) return undefined;
    if (definition.type === 'boolean') return Number.isNaN(this.value) ? this.flag : undefined;
    if (this.flag !== undefined) return undefined;
    // As the general way adds it to a base value of zero, which makes -0 a 0.
    let value = 0 + this.value;
    const { unitStart: start, unitEnd: end } = this;
    if (
      start >= 0 &&
      quantity.conversions !== null &&
      !isEqual(quantity.unitBytes, this.#bytes, start, end)
    ) {
      const conversion = quantity.conversions.get(asciiText(this.#bytes, start, end));
      if (conversion === undefined) return undefined;
      value = convert(value, conversion);
    }
    if (!(value >= definition.min && value <= definition.max)) return undefined;
    if (definition.type === 'integer' && !Number.isInteger(value)) return undefined;
    return value;
  }

  #put({ meter, battery }: PlainQuantity, at: number, value: number | boolean, period: number): boolean {
    const reading = this.#readingAt(at);
    if (reading === undefined) return false;
    if (reading.periodS === null && !Number.isNaN(period)) reading.periodS = period;
    if (reading.kind === 'meter') {
      if (meter === undefined || typeof value !== 'number') return false;
      const earlier = reading[meter.field];
      if (earlier === null) reading[meter.field] = value;
      return earlier === null || earlier === value;
    }
    if (battery === undefined) return false;
    const earlier = reading[battery.field];
    if (earlier !== null) return earlier === value;
    if (battery.type === 'boolean') {
      if (typeof value !== 'boolean') return false;
      reading[battery.field] = value;
    } else {
      if (typeof value !== 'number') return false;
      reading[battery.field] = value;
    }
    return true;
  }

  /** Times come in order, or again and again in the same order; where neither holds, the pack is not plain. */
  #readingAt(at: number): Reading | undefined {
    const last = this.#last;
    if (last?.at === at) return last;
    const readings = this.#readings;
    const newest = readings.at(-1);
    let reading: Reading | undefined;
    if (newest === undefined || at > newest.at) {
      reading = this.#emptyReading(at);
      readings.push(reading);
    } else reading = findAt(readings, at);
    this.#last = reading;
    return reading;
  }

  #emptyReading(at: number): MeterReading | BatteryReading {
    return this.#kind === 'meter'
      ? emptyMeterReading(this.#device, at)
      : emptyBatteryReading(this.#device, at);
  }
}

/** Binary search: readings are in order of time. */
function findAt(readings: readonly Reading[], at: number): Reading | undefined {
  let low = 0;
  let high = readings.length - 1;
  while (low <= high) {
    const middle = (low + high) >> 1;
    const reading = readings[middle];
    if (reading === undefined || reading.at === at) return reading;
    if (reading.at < at) low = middle + 1;
    else high = middle - 1;
  }
  return undefined;
}
