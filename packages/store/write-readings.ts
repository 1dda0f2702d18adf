// Readings into Postgres, many at once and each only once: COPY into a session table, then insert what is new.

import { BATTERY_QUANTITIES, METER_QUANTITIES, type Reading } from '@afterwatt/wire';
import type pg from 'pg';
import { from as copyFrom } from 'pg-copy-streams';
import { CopyRows } from './copy-rows.ts';

/** A reading with the numbers that its site and device have in the database. */
export interface PlacedReading {
  readonly siteNo: number;
  readonly deviceNo: number;
  readonly reading: Reading;
}

interface ReadingTableShape {
  readonly table: string;
  readonly incoming: string;
  readonly columns: readonly { readonly column: string; readonly sqlType: string }[];
}

/** Columns that are wider than `real`: registers and counters would lose their last digits. */
const WIDE: Readonly<Record<string, string>> = {
  import_wh: 'double precision',
  export_wh: 'double precision',
  seq: 'bigint',
};
/** int2 count, site, device, time: 2 + 8 + 8 + 12. */
const KEY_BYTES = 30;
const FIELD_BYTES = 12;

const METER = shape('meter_reading', METER_QUANTITIES);
const BATTERY = shape('battery_reading', BATTERY_QUANTITIES);

/**
 * Makes the session tables that a connection's batches go through. Once a connection.
 */
export async function prepareReadingWriter(client: pg.ClientBase): Promise<void> {
  for (const { incoming, columns } of [METER, BATTERY]) {
    const fields = columns.map(({ column, sqlType }) => `${column} ${sqlType}`).join(', ');
    await client.query(
      `create temporary table if not exists ${incoming}
         (site_no integer, device_no integer, at timestamptz, ${fields}) on commit delete rows`,
    );
  }
}

/**
 * Writes readings in the connection's open transaction. A reading that is there already (same device and time)
 * is left as it is.
 * @returns how many were new
 */
export async function insertReadings(
  client: pg.ClientBase,
  readings: readonly PlacedReading[],
): Promise<number> {
  let inserted = 0;
  for (const kind of ['meter', 'battery'] as const) {
    const ofKind = readings.filter(({ reading }) => reading.kind === kind);
    if (ofKind.length === 0) continue;
    const { table, incoming, columns } = kind === 'meter' ? METER : BATTERY;
    const names = columns.map(({ column }) => column).join(', ');
    await copy(client, `copy ${incoming} from stdin (format binary)`, encode(ofKind));
    const result = await client.query(
      `insert into ${table} (site_no, device_no, at, tx, ${names})
       select site_no, device_no, at, current_tx(), ${names} from ${incoming} on conflict do nothing`,
    );
    inserted += result.rowCount ?? 0;
  }
  return inserted;
}

function shape(table: string, quantities: readonly { column: string; type: string }[]): ReadingTableShape {
  return {
    table,
    incoming: `incoming_${table}`,
    columns: quantities.map(({ column, type }) => ({
      column,
      sqlType: WIDE[column] ?? (type === 'boolean' ? 'boolean' : 'real'),
    })),
  };
}

function encode(readings: readonly PlacedReading[]): Buffer {
  const rows = new CopyRows();
  for (const { siteNo, deviceNo, reading } of readings) {
    const quantities = reading.kind === 'meter' ? METER_QUANTITIES : BATTERY_QUANTITIES;
    rows.row(quantities.length + 3, KEY_BYTES + quantities.length * FIELD_BYTES);
    rows.int4(siteNo);
    rows.int4(deviceNo);
    rows.timestamptz(reading.at);
    if (reading.kind === 'meter') {
      for (const { column, field } of METER_QUANTITIES) number(rows, column, reading[field]);
    } else {
      for (const quantity of BATTERY_QUANTITIES) {
        if (quantity.type === 'boolean') rows.boolean(reading[quantity.field]);
        else number(rows, quantity.column, reading[quantity.field]);
      }
    }
  }
  return rows.finish();
}

function number(rows: CopyRows, column: string, value: number | null): void {
  const wide = WIDE[column];
  if (wide === undefined) rows.float4(value);
  else if (wide === 'bigint') rows.int8(value);
  else rows.float8(value);
}

function copy(client: pg.ClientBase, statement: string, data: Buffer): Promise<void> {
  return new Promise((resolve, reject) => {
    const stream = client.query(copyFrom(statement));
    stream.once('error', reject);
    stream.once('finish', resolve);
    stream.end(data);
  });
}
