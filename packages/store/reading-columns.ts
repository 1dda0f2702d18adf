// Readings of one device over a window, column by column: as they came, or as means of equal stretches of time.

import { BATTERY_QUANTITIES, METER_QUANTITIES } from '@afterwatt/wire';
import { sql, type Transaction } from 'kysely';
import type { StoredDevice } from './sites.ts';
import type { Tables } from './tables.ts';

/** Stretches over which readings can be averaged; '1d' is a calendar day of the site's time zone. */
export const BINS = ['1m', '15m', '1h', '1d'] as const;
export type Bin = (typeof BINS)[number];

export interface ColumnsRequest {
  readonly siteNo: number;
  readonly device: StoredDevice;
  /** Names on the wire; those that such a device does not have are passed over. */
  readonly quantities: readonly string[];
  /** Included. */
  readonly from: Date;
  /** Not included. */
  readonly to: Date;
  readonly bin: Bin | 'raw';
  /** IANA name, for days. */
  readonly timeZone: string;
  readonly limit: number;
}

export type Cell = number | boolean | null;

export interface Columns {
  /** Device time of a reading, or the start of a stretch; ascending. */
  readonly times: readonly Date[];
  readonly columns: ReadonlyMap<string, readonly Cell[]>;
}

/** What a device of each kind can report, by name on the wire. `ut` is a promise, not a measurement. */
export const QUANTITY_NAMES = {
  meter: METER_QUANTITIES.map(({ quantity }) => quantity).filter((name) => name !== 'ut'),
  battery: BATTERY_QUANTITIES.map(({ quantity }) => quantity).filter((name) => name !== 'ut'),
} as const;

/** Registers and counters: their mean says nothing, so a stretch shows how far they had come. */
const COUNTING: ReadonlySet<string> = new Set(['import', 'export', 'seq']);

const BIN_STARTS = {
  '1m': sql`date_bin('1 minute', at, 'epoch')`,
  '15m': sql`date_bin('15 minutes', at, 'epoch')`,
  '1h': sql`date_bin('1 hour', at, 'epoch')`,
} as const;

/**
 * At most `limit` times of one device. The site must be open (`openSite`).
 *
 * A stretch shows the mean of each measurement, for a state (`grid`, `storm`) the share of readings in which it
 * held, and for registers and `seq` the highest value; null where no reading told it.
 */
export async function listColumns(tx: Transaction<Tables>, request: ColumnsRequest): Promise<Columns> {
  const { device, from, to, siteNo, limit } = request;
  const known = device.kind === 'meter' ? METER_QUANTITIES : BATTERY_QUANTITIES;
  const wanted = known.filter(({ quantity }) => request.quantities.includes(quantity));
  const times: Date[] = [];
  const columns = new Map<string, Cell[]>(wanted.map(({ quantity }) => [quantity, []]));
  if (wanted.length === 0) return { times, columns };

  const values = wanted.map(({ quantity, column, type }) => {
    const value = sql.ref(column);
    if (request.bin === 'raw') return sql`${value} as ${sql.id(quantity)}`;
    if (COUNTING.has(quantity)) return sql`max(${value}) as ${sql.id(quantity)}`;
    return sql`avg(${type === 'boolean' ? sql`${value}::int` : value})::float8 as ${sql.id(quantity)}`;
  });
  const found = await sql<Record<string, Cell> & { time: Date }>`
    select ${timeOf(request)} as time, ${sql.join(values)}
    from ${sql.table(device.kind === 'meter' ? 'meter_reading' : 'battery_reading')}
    where site_no = ${siteNo} and device_no = ${device.no} and at >= ${from} and at < ${to}
    ${request.bin === 'raw' ? sql`` : sql`group by 1`}
    order by 1 limit ${limit}`.execute(tx);
  for (const row of found.rows) {
    times.push(row.time);
    for (const [quantity, cells] of columns) cells.push(rounded(row[quantity] ?? null));
  }
  return { times, columns };
}

function timeOf({ bin, timeZone }: ColumnsRequest) {
  switch (bin) {
    case 'raw':
      return sql`at`;
    case '1d':
      return sql`date_trunc('day', at at time zone ${timeZone}) at time zone ${timeZone}`;
    default:
      return BIN_STARTS[bin];
  }
}

/** A mean is given to a thousandth: no meter here tells more. */
function rounded(value: Cell): Cell {
  return typeof value === 'number' ? Math.round(value * 1000) / 1000 : value;
}
