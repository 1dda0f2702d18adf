// SenML packs as different makers of devices would write them: JSON or CBOR (RFC 8428), primary units or secondary
// ones (RFC 8798) announced or not (RFC 9100), long names or short ones. Independent of the product's own encoder.

import type { Row } from './hand-made-home.ts';

export interface PackStyle {
  readonly cbor?: boolean;
  /** Whether values come in kW, mA and the like, and whether `bver` announces it. */
  readonly units?: 'primary' | 'secondary' | 'secondary-announced' | 'left-out';
  readonly baseName?: string;
  /** Readings a pack. */
  readonly readings?: number;
  /** The period promised in `ut`. */
  readonly periodS?: number;
  /** Quantities to leave out. */
  readonly without?: readonly string[];
}

const UNITS: Readonly<Record<string, readonly [primary: string, secondary: string, factor: number]>> = {
  v: ['V', 'mV', 1_000],
  i: ['A', 'mA', 1_000],
  p: ['W', 'kW', 0.001],
  q: ['var', 'kvar', 0.001],
  f: ['Hz', 'MHz', 1e-6],
  rssi: ['dBm', 'dBm', 1],
  soc: ['%EL', '%EL', 1],
  reserve: ['%EL', '%EL', 1],
  limit: ['W', 'kW', 0.001],
  temp: ['Cel', 'Cel', 1],
  import: ['Wh', 'kWh', 0.001],
  export: ['Wh', 'kWh', 0.001],
};

type Label = 'bn' | 'bt' | 'bver' | 'n' | 'u' | 'v' | 'vb' | 't' | 'ut';
type SenmlRecord = Partial<Record<Label, string | number | boolean>>;

/** RFC 8428 table 4. */
const CBOR_LABELS: Readonly<Record<Label, number>> = {
  bver: -1,
  bn: -2,
  bt: -3,
  n: 0,
  u: 1,
  v: 2,
  vb: 4,
  t: 6,
  ut: 7,
};

export function packs(rows: readonly Row[], style: PackStyle): Buffer[] {
  const size = style.readings ?? 12;
  const made: Buffer[] = [];
  for (let from = 0; from < rows.length; from += size) made.push(pack(rows.slice(from, from + size), style));
  return made;
}

function pack(rows: readonly Row[], style: PackStyle): Buffer {
  const units = style.units ?? 'primary';
  const base = rows[0]?.at ?? 0;
  const records: SenmlRecord[] = [];
  for (const { at, ...values } of rows) {
    let first = true;
    for (const [name, value] of Object.entries(values)) {
      if (style.without?.includes(name)) continue;
      const record: SenmlRecord = {};
      if (records.length === 0) {
        record.bt = base;
        if (style.baseName !== undefined) record.bn = style.baseName;
        if (units === 'secondary-announced') record.bver = 26;
      }
      record.n = name;
      if (at !== base) record.t = at - base;
      if (first && style.periodS !== undefined) record.ut = style.periodS;
      first = false;
      const unit = UNITS[name.split('.').at(-1) ?? ''];
      if (typeof value === 'boolean') record.vb = value;
      else if (unit === undefined || units === 'left-out') record.v = round(value);
      else {
        record.u = unit[units === 'primary' ? 0 : 1];
        record.v = round(units === 'primary' ? value : value * unit[2]);
      }
      records.push(record);
    }
  }
  return style.cbor === true
    ? Buffer.concat([head(4, records.length), ...records.map(cborMap)])
    : Buffer.from(JSON.stringify(records));
}

function round(value: number): number {
  return Number(value.toPrecision(7));
}

// RFC 8949: a head of major type and argument, then what it announces.

function cborMap(record: SenmlRecord): Buffer {
  const entries: [number, string | number | boolean][] = [];
  for (const [label, key] of Object.entries(CBOR_LABELS)) {
    const value = Object.entries(record).find(([name]) => name === label)?.[1];
    if (value !== undefined) entries.push([key, value]);
  }
  return Buffer.concat([
    head(5, entries.length),
    ...entries.flatMap(([key, value]) => [cborValue(key), cborValue(value)]),
  ]);
}

function cborValue(value: string | number | boolean): Buffer {
  if (typeof value === 'boolean') return Buffer.from([value ? 0xf5 : 0xf4]);
  if (typeof value === 'string')
    return Buffer.concat([head(3, Buffer.byteLength(value)), Buffer.from(value)]);
  if (Number.isInteger(value) && Math.abs(value) < 2 ** 32)
    return value >= 0 ? head(0, value) : head(1, -1 - value);
  const bytes = Buffer.alloc(9);
  bytes[0] = 0xfb;
  bytes.writeDoubleBE(value, 1);
  return bytes;
}

function head(major: number, argument: number): Buffer {
  if (argument < 24) return Buffer.from([(major << 5) | argument]);
  if (argument < 2 ** 8) return Buffer.from([(major << 5) | 24, argument]);
  const bytes = Buffer.alloc(argument < 2 ** 16 ? 3 : 5);
  bytes[0] = (major << 5) | (argument < 2 ** 16 ? 25 : 26);
  if (argument < 2 ** 16) bytes.writeUInt16BE(argument, 1);
  else bytes.writeUInt32BE(argument, 1);
  return bytes;
}
