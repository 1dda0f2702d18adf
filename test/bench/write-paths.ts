// The ways to write a batch so that a reading comes in once, over one connection each, from rows that are already
// made; and the same with nothing but rows that are there already. Plain COPY and COPY by way of a session table are
// what ingest uses, from its own code; the others are here to be compared with.

import {
  connect,
  copyReadings,
  ensureReadingPartitions,
  insertReadings,
  prepareInsert,
  ReadingRows,
} from '@afterwatt/store';
import { METER_QUANTITIES, type MeterReading } from '@afterwatt/wire';
import type pg from 'pg';
import type { OwnPostgres } from '../support/own-postgres.ts';
import { type FleetDevice, readingsOf } from './fleet.ts';

const ROWS_A_BATCH = 5_000;
const COLUMNS = ['site_no', 'device_no', 'at', ...METER_QUANTITIES.map(({ column }) => column)];
const ARRAY_TYPES = COLUMNS.map((column) =>
  column === 'at'
    ? 'timestamptz[]'
    : /_no$/.test(column)
      ? 'int[]'
      : column === 'seq'
        ? 'bigint[]'
        : /_wh$/.test(column)
          ? 'float8[]'
          : 'real[]',
);
/** A statement takes at most 65,535 parameters. */
const ROWS_A_STATEMENT = Math.floor(65_535 / COLUMNS.length);

type Row = readonly (number | string | null)[];

interface PathBatch {
  readonly rows: ReadingRows;
  readonly values: readonly Row[];
}

type WritePath = (client: pg.ClientBase, batch: PathBatch) => Promise<unknown>;

export const WRITE_PATHS: Readonly<
  Record<string, { readonly write: WritePath; readonly takesKnown: boolean }>
> = {
  'binary COPY into the partition': {
    write: (client, { rows }) => copyReadings(client, rows),
    takesKnown: false,
  },
  'binary COPY into a session table, insert on conflict do nothing': {
    write: (client, { rows }) => insertReadings(client, rows, []),
    takesKnown: true,
  },
  'unnest of arrays, on conflict do nothing': { write: insertArrays, takesKnown: true },
  'insert of many rows, on conflict do nothing': { write: insertValues, takesKnown: true },
};

async function insertArrays(client: pg.ClientBase, { values }: PathBatch): Promise<void> {
  const arrays = COLUMNS.map((_, column) => values.map((row) => row[column] ?? null));
  const parameters = ARRAY_TYPES.map((type, index) => `$${index + 1}::${type}`).join(', ');
  await client.query({
    name: 'unnest',
    text: `insert into meter_reading (${COLUMNS}) select * from unnest(${parameters}) on conflict do nothing`,
    values: arrays,
  });
}

async function insertValues(client: pg.ClientBase, { values }: PathBatch): Promise<void> {
  for (let from = 0; from < values.length; from += ROWS_A_STATEMENT) {
    const part = values.slice(from, from + ROWS_A_STATEMENT);
    const rows = part.map(
      (_, row) => `(${COLUMNS.map((__, column) => `$${row * COLUMNS.length + column + 1}`)})`,
    );
    await client.query({
      name: `values of ${part.length}`,
      text: `insert into meter_reading (${COLUMNS}) values ${rows.join(', ')} on conflict do nothing`,
      values: part.flat(),
    });
  }
}

function rowOf({ siteNo, deviceNo }: FleetDevice, reading: MeterReading): Row {
  const time = new Date(reading.at).toISOString();
  return [siteNo, deviceNo, time, ...METER_QUANTITIES.map(({ field }) => reading[field])];
}

/** @returns rows a second, for rows that are new and for the same ones again (undefined where that cannot be) */
export async function measureWritePath(
  postgres: OwnPostgres,
  path: string,
  fleet: readonly FleetDevice[],
  fromMs: number,
  rowCount: number,
): Promise<{ readonly fresh: number; readonly known: number | undefined }> {
  const way = WRITE_PATHS[path];
  if (way === undefined) throw new Error(`no write path ${path}`);
  const batches: { rows: ReadingRows; values: Row[] }[] = [];
  for (const { device, readings } of readingsOf(fleet, 1, fromMs, rowCount)) {
    let batch = batches.at(-1);
    if (batch === undefined || batch.rows.count >= ROWS_A_BATCH) {
      batch = { rows: new ReadingRows(), values: [] };
      batches.push(batch);
    }
    for (const reading of readings) {
      batch.rows.add(device.siteNo, device.deviceNo, reading);
      batch.values.push(rowOf(device, reading));
    }
  }
  for (const { rows } of batches) {
    for (const day of rows.days()) await ensureReadingPartitions(postgres.owner.pool, day);
  }
  const one = connect({
    url: postgres.url,
    role: 'afterwatt_ingest',
    name: 'bench',
    maxConnections: 1,
    statementTimeoutMs: 0,
  });
  const client = await one.pool.connect();
  await prepareInsert(client);
  async function time(): Promise<number> {
    await postgres.owner.pool.query('checkpoint');
    const startedMs = performance.now();
    for (const batch of batches) {
      await client.query('begin');
      await way?.write(client, batch);
      await client.query('commit');
    }
    return rowCount / ((performance.now() - startedMs) / 1000);
  }
  try {
    return { fresh: await time(), known: way.takesKnown ? await time() : undefined };
  } finally {
    client.release();
    await one.close();
  }
}
