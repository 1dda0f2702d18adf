// Readings into Postgres, many at once and each only once. They are copied straight into their tables; only where
// one of them is there already, all go through a session table that leaves out what is known.

import {
  BATTERY_QUANTITIES,
  METER_QUANTITIES,
  QUANTITY_SLOTS,
  type Reading,
  ReadingBlock,
  type ReadingKind,
} from '@afterwatt/wire';
import type pg from 'pg';
import { from as copyFrom } from 'pg-copy-streams';
import { CopyRows } from './copy-rows.ts';

const DAY_MS = 86_400_000;
/** Site, device, time; 4 bytes of length and at most 8 of value a field. */
const KEY_FIELDS = 3;
const FIELD_BYTES = 12;

/** How PostgreSQL holds a quantity; `real` where nothing else is said. */
const COLUMN_TYPES: Readonly<Record<string, keyof typeof TYPE>> = {
  import: 'float8',
  export: 'float8',
  seq: 'int8',
  grid: 'boolean',
  storm: 'boolean',
};
const TYPE = { float4: 0, float8: 1, int8: 2, boolean: 3 } as const;

/** Slot and type of each column after the key, in tables of numbers that a hot loop reads. */
interface Layout {
  readonly slots: Uint8Array;
  readonly types: Uint8Array;
}

function layoutOf(kind: ReadingKind, quantities: readonly { readonly quantity: string }[]): Layout {
  return {
    slots: Uint8Array.from(QUANTITY_SLOTS[kind]),
    types: Uint8Array.from(quantities, ({ quantity }) => TYPE[COLUMN_TYPES[quantity] ?? 'float4']),
  };
}

const METER_LAYOUT = layoutOf('meter', METER_QUANTITIES);
const BATTERY_LAYOUT = layoutOf('battery', BATTERY_QUANTITIES);

/**
 * A row of this device and time is there already (unique_violation), or two transactions bring the same ones in
 * different order and wait for each other (deadlock_detected).
 */
const KNOWN_READING: readonly unknown[] = ['23505', '40P01'];

/** Rows on their way to the reading tables, by the UTC day whose partition they belong to. */
export class ReadingRows {
  readonly #byDay = new Map<number, DayRows>();
  #latest: DayRows | undefined;
  #spare: DayRows | undefined;
  readonly #alone = new ReadingBlock();
  #count = 0;

  get count(): number {
    return this.#count;
  }

  /** UTC days since 1970 that the rows lie in. */
  days(): Iterable<number> {
    return this.#byDay.keys();
  }

  /** Forgets all rows; the memory of the last day is kept for the next ones. */
  clear(): void {
    const kept = this.#latest;
    this.#byDay.clear();
    this.#latest = undefined;
    this.#count = 0;
    if (kept === undefined) return;
    kept.meters.clear();
    kept.batteries.clear();
    this.#spare = kept;
  }

  /** @param siteNo, deviceNo the numbers that site and device have in the database */
  add(siteNo: number, deviceNo: number, reading: Reading): void {
    this.#alone.holdOnly(reading);
    this.addBlock(siteNo, deviceNo, this.#alone);
  }

  /** All readings of a block. */
  addBlock(siteNo: number, deviceNo: number, block: ReadingBlock): void {
    const isMeter = block.kind === 'meter';
    for (let row = 0; row < block.count; row += 1) {
      const rows = this.#rowsOf(Math.floor(block.at(row) / DAY_MS));
      if (isMeter) addRow(rows.meters, METER_LAYOUT, siteNo, deviceNo, block, row);
      else addRow(rows.batteries, BATTERY_LAYOUT, siteNo, deviceNo, block, row);
    }
    this.#count += block.count;
  }

  #rowsOf(day: number): DayRows {
    if (this.#latest?.day === day) return this.#latest;
    let rows = this.#byDay.get(day);
    if (rows === undefined) {
      rows = this.#spare ?? { day, meters: new CopyRows(), batteries: new CopyRows() };
      rows.day = day;
      this.#spare = undefined;
      this.#byDay.set(day, rows);
    }
    this.#latest = rows;
    return rows;
  }

  /** The partitions that have rows, with these as COPY takes them. */
  *copies(): Generator<{ readonly table: ReadingTableName; readonly day: number; readonly data: Buffer }> {
    // Always in the same order, so that two transactions never wait for each other in a circle.
    const days = [...this.#byDay.values()].sort((a, b) => a.day - b.day);
    for (const table of ['meter_reading', 'battery_reading'] as const) {
      for (const { day, meters, batteries } of days) {
        const rows = table === 'meter_reading' ? meters : batteries;
        if (rows.rows > 0) yield { table, day, data: rows.finish() };
      }
    }
  }
}

interface DayRows {
  day: number;
  readonly meters: CopyRows;
  readonly batteries: CopyRows;
}

type ReadingTableName = 'meter_reading' | 'battery_reading';

function addRow(
  rows: CopyRows,
  { slots, types }: Layout,
  siteNo: number,
  deviceNo: number,
  block: ReadingBlock,
  row: number,
): void {
  const fields = KEY_FIELDS + slots.length;
  const { values } = block;
  const offset = block.offsetOf(row);
  rows.row(fields, fields * FIELD_BYTES);
  rows.int4(siteNo);
  rows.int4(deviceNo);
  rows.timestamptz(block.at(row));
  for (let column = 0; column < slots.length; column += 1) {
    const value = values[offset + (slots[column] ?? 0)] ?? Number.NaN;
    const type = types[column];
    if (type === TYPE.float4) rows.float4(value);
    else if (type === TYPE.float8) rows.float8(value);
    else if (type === TYPE.int8) rows.int8(value);
    else rows.boolean(value);
  }
}

const COLUMNS: Readonly<Record<ReadingTableName, string>> = {
  meter_reading: columnsOf(METER_QUANTITIES),
  battery_reading: columnsOf(BATTERY_QUANTITIES),
};

function columnsOf(quantities: readonly { readonly column: string }[]): string {
  return ['site_no', 'device_no', 'at', ...quantities.map(({ column }) => column)].join(', ');
}

/** Makes the session tables of `insertReadings`; once a connection, outside a transaction. */
export async function prepareInsert(client: pg.ClientBase): Promise<void> {
  for (const [table, columns] of Object.entries(COLUMNS)) {
    await client.query(
      `create temporary table incoming_${table} on commit delete rows as
         select ${columns} from ${table} with no data`,
    );
  }
}

/** True when `copyReadings` could not write a batch because a reading of it is known, or being written by another. */
export function isKnownReading(error: unknown): boolean {
  return error instanceof Error && 'code' in error && KNOWN_READING.includes(error.code);
}

/**
 * Writes readings that are all new, of days that are not packed, in the connection's open transaction. The fast way.
 * @throws what `isKnownReading` tells when one is there already; the transaction is then over
 */
export async function copyReadings(client: pg.ClientBase, rows: ReadingRows): Promise<number> {
  for (const { table, day, data } of rows.copies()) {
    const partition = `${table}_${dayName(day).replaceAll('-', '')}`;
    await copy(client, `copy ${partition} (${COLUMNS[table]}) from stdin (format binary)`, data);
  }
  return rows.count;
}

/**
 * Writes readings in the connection's open transaction, after `prepareInsert`. One that is there already (same device
 * and time) is left as it is. Packed hours that they belong to are opened first, and packed again some night.
 * @param packed of `holdPackedDays`
 * @returns how many were new
 */
export async function insertReadings(
  client: pg.ClientBase,
  rows: ReadingRows,
  packed: readonly string[],
): Promise<number> {
  const tables = new Set<ReadingTableName>();
  for (const { table, data } of rows.copies()) {
    await copy(client, `copy incoming_${table} (${COLUMNS[table]}) from stdin (format binary)`, data);
    tables.add(table);
  }
  let inserted = 0;
  for (const table of tables) {
    if (packed.length > 0) await client.query(OPEN[table], [packed]);
    const columns = COLUMNS[table];
    const result = await client.query(
      // In order of key: two transactions with the same readings then wait for each other in one direction only.
      `insert into ${table} (${columns}) select ${columns} from incoming_${table}
       order by site_no, device_no, at on conflict do nothing`,
    );
    inserted += result.rowCount ?? 0;
  }
  return inserted;
}

/** Days (UTC) that may be packed end at least so many days before today: the day of a clock that is wrong between. */
const NEVER_PACKED_DAYS = 2;

/**
 * Which of the days that these readings belong to are packed; until the connection's open transaction ends no other
 * becomes so. Readings of the last days cost nothing here.
 * @returns their dates; only `insertReadings` may write readings of them
 */
export async function holdPackedDays(
  client: pg.ClientBase,
  rows: ReadingRows,
  nowMs: number,
): Promise<string[]> {
  const old = [...rows.days()].filter((day) => day <= Math.floor(nowMs / DAY_MS) - NEVER_PACKED_DAYS);
  if (old.length === 0) return [];
  const found = await client.query<{ day: string }>(
    'select day::text from hold_packed_days($1::date[]) as day',
    [old.map(dayName)],
  );
  return found.rows.map(({ day }) => day);
}

/**
 * Makes plain rows again of the packed hours that incoming readings belong to. They keep the number of a transaction
 * that everybody has read, so that nobody takes them for new. $1 are the packed days.
 */
function openSql(table: ReadingTableName, quantities: readonly { readonly column: string }[]): string {
  const columns = quantities.map(({ column }) => column);
  return `
    with hour as (
      select distinct site_no, device_no, date_bin('1 hour', at, 'epoch') as start from incoming_${table}
      where (at at time zone 'UTC')::date = any ($1::date[])
    ), opened as (
      delete from ${table.replace('reading', 'packed')} packed using hour
      where packed.site_no = hour.site_no and packed.device_no = hour.device_no and packed.at = hour.start
      returning packed.*
    )
    insert into ${table} (tx, site_no, device_no, at, ${columns.join(', ')})
    select tx, site_no, device_no, unnest(times), ${columns.map((column) => `unnest(${column})`).join(', ')} from opened`;
}

const OPEN: Readonly<Record<ReadingTableName, string>> = {
  meter_reading: openSql('meter_reading', METER_QUANTITIES),
  battery_reading: openSql('battery_reading', BATTERY_QUANTITIES),
};

/** Makes the partitions of one UTC day, if they are not there. @param day days since 1970-01-01 */
export async function ensureReadingPartitions(pool: pg.Pool, day: number): Promise<void> {
  await pool.query('select ensure_reading_partitions($1)', [dayName(day)]);
}

function dayName(day: number): string {
  return new Date(day * DAY_MS).toISOString().slice(0, 10);
}

function copy(client: pg.ClientBase, statement: string, data: Buffer): Promise<void> {
  return new Promise((resolve, reject) => {
    const stream = client.query(copyFrom(statement));
    stream.once('error', reject);
    stream.once('finish', resolve);
    stream.end(data);
  });
}
