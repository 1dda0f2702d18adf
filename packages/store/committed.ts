// What has been committed, in commit order, each row exactly once. A transaction's number does not say when
// it committed, but every one below the oldest still running has ended: up to there nothing more can appear.

import type { BatteryReading, MeterReading, Reading } from '@afterwatt/wire';
import {
  BATTERY_QUANTITIES,
  emptyBatteryReading,
  emptyMeterReading,
  METER_QUANTITIES,
} from '@afterwatt/wire';
import type pg from 'pg';
import { storedReadings } from './stored-readings.ts';

/** Sites are spread over this many shards by their number. */
export const SHARD_COUNT = 64;

/** A pool, or one of its connections. */
type Queryable = Pick<pg.ClientBase, 'query'>;

/** Rows after `fromTx` and up to `toTx`, both transaction numbers. */
export interface Window {
  readonly fromTx: number;
  readonly toTx: number;
}

interface OfSite {
  readonly tx: number;
  readonly siteNo: number;
}
export type CommittedReading = OfSite & { readonly reading: Reading };
export type CommittedState = OfSite & {
  readonly device: string;
  readonly atMs: number;
  readonly online: boolean | null;
  readonly firmware: string | null;
  readonly selfTestAtMs: number | null;
  readonly selfTestPassed: boolean | null;
  readonly clockAtMs: number | null;
};
export type CommittedMended = OfSite & {
  readonly kind: string;
  readonly subject: string;
  readonly atMs: number;
};
export interface CommittedPulse {
  readonly tx: number;
  readonly atMs: number;
}

/**
 * The next window to read: everything complete, but no more than about `maxReadings`, cut between transactions.
 * @returns undefined when nothing new is complete
 */
export async function findNextWindow(
  db: Queryable,
  fromTx: number,
  maxReadings: number,
): Promise<Window | undefined> {
  const found = await db.query<[number, number | null]>({
    text: `select pg_snapshot_xmin(pg_current_snapshot())::text::bigint - 1,
             least((select tx from meter_reading where tx > $1 order by tx offset $2 limit 1),
                   (select tx from battery_reading where tx > $1 order by tx offset $2 limit 1))`,
    values: [fromTx, maxReadings],
    rowMode: 'array',
  });
  const [complete, cut] = found.rows[0] ?? [0, null];
  const toTx = cut === null ? complete : Math.min(complete, cut);
  return toTx > fromTx ? { fromTx, toTx } : undefined;
}

/** Readings of the given shards in the window, by transaction, then device time. */
export async function listReadings(
  pool: pg.Pool,
  { fromTx, toTx }: Window,
  shards: readonly number[],
  deviceName: (deviceNo: number) => string | undefined,
): Promise<CommittedReading[]> {
  const [meters, batteries] = await Promise.all([
    pool.query<Cell[]>({ text: METER_SELECT, values: [fromTx, toTx, shards], rowMode: 'array' }),
    pool.query<Cell[]>({ text: BATTERY_SELECT, values: [fromTx, toTx, shards], rowMode: 'array' }),
  ]);
  const readings: CommittedReading[] = [];
  for (const row of meters.rows) {
    const device = deviceName(Number(row[2]));
    if (device === undefined) continue;
    readings.push({ tx: Number(row[0]), siteNo: Number(row[1]), reading: meterReading(device, row) });
  }
  for (const row of batteries.rows) {
    const device = deviceName(Number(row[2]));
    if (device === undefined) continue;
    readings.push({ tx: Number(row[0]), siteNo: Number(row[1]), reading: batteryReading(device, row) });
  }
  return readings.sort((a, b) => a.tx - b.tx || a.reading.at - b.reading.at);
}

/** One site's stored readings of [fromMs, toMs), in the order of device time. */
export async function listSiteReadings(
  pool: pg.Pool,
  site: {
    readonly siteNo: number;
    readonly devices: readonly { readonly no: number; readonly id: string }[];
  },
  fromMs: number,
  toMs: number,
): Promise<Reading[]> {
  const values = [site.siteNo, new Date(fromMs), new Date(toMs)];
  const names = new Map(site.devices.map(({ no, id }) => [no, id]));
  const [meters, batteries] = await Promise.all([
    pool.query<Cell[]>({ text: METER_OF_SITE, values, rowMode: 'array' }),
    pool.query<Cell[]>({ text: BATTERY_OF_SITE, values, rowMode: 'array' }),
  ]);
  const readings: Reading[] = [
    ...meters.rows.map((row) => meterReading(names.get(Number(row[2])) ?? '', row)),
    ...batteries.rows.map((row) => batteryReading(names.get(Number(row[2])) ?? '', row)),
  ];
  return readings.sort((a, b) => a.at - b.at);
}

export async function listStates(
  pool: pg.Pool,
  window: Window,
  shards: readonly number[],
): Promise<CommittedState[]> {
  const found = await pool.query<CommittedState>({
    text: `select s.tx, s.site_no as "siteNo", d.id as device, ${epochMs('s.received_at')} as "atMs", s.online, s.firmware,
             ${epochMs('s.self_test_at')} as "selfTestAtMs", s.self_test_passed as "selfTestPassed",
             ${epochMs('s.clock_at')} as "clockAtMs"
           from device_state s join device d on d.no = s.device_no
           where s.tx > $1 and s.tx <= $2 and s.site_no % ${SHARD_COUNT} = any ($3) order by s.tx, s.received_at`,
    values: [window.fromTx, window.toTx, shards],
  });
  return found.rows;
}

export async function listMended(
  pool: pg.Pool,
  window: Window,
  shards: readonly number[],
): Promise<CommittedMended[]> {
  const found = await pool.query<CommittedMended>({
    text: `select t.tx, i.site_no as "siteNo", i.kind, i.subject, ${epochMs('t.at')} as "atMs"
           from incident_transition t join incident i on i.id = t.incident_id
           where t.type = 'mended' and t.tx > $1 and t.tx <= $2 and i.site_no % ${SHARD_COUNT} = any ($3) order by t.tx`,
    values: [window.fromTx, window.toTx, shards],
  });
  return found.rows;
}

export async function listPulses(pool: pg.Pool, window: Window): Promise<CommittedPulse[]> {
  const found = await pool.query<CommittedPulse>({
    text: `select tx, ${epochMs('max(at)')} as "atMs" from pulse where tx > $1 and tx <= $2 group by tx order by tx`,
    values: [window.fromTx, window.toTx],
  });
  return found.rows;
}

/** The ingest's clock after `tx`: its newest pulse up to there; undefined when there was none yet. */
export async function findClock(pool: pg.Pool, tx: number): Promise<number | undefined> {
  const found = await pool.query<{ atMs: number | null }>({
    text: `select ${epochMs('max(at)')} as "atMs" from pulse where tx <= $1`,
    values: [tx],
  });
  return found.rows[0]?.atMs ?? undefined;
}

type Cell = string | number | boolean | null;

function epochMs(expression: string): string {
  return `round(extract(epoch from ${expression}) * 1000)::float8`;
}

function columnsOf(kind: Reading['kind']): string[] {
  const quantities = kind === 'meter' ? METER_QUANTITIES : BATTERY_QUANTITIES;
  return quantities.map(({ column }) => column);
}

function selectedOf(kind: Reading['kind'], from: string): string {
  return `select tx, site_no, device_no, ${epochMs('at')}, ${columnsOf(kind).join(', ')} from ${from}`;
}

/** Packed readings are none of these: they are packed once everybody has read them. */
function ofWindow(kind: Reading['kind']): string {
  const where = `tx > $1 and tx <= $2 and site_no % ${SHARD_COUNT} = any ($3)`;
  return `${selectedOf(kind, `${kind}_reading`)} where ${where}`;
}

function ofSite(kind: Reading['kind']): string {
  return selectedOf(
    kind,
    storedReadings(kind, {
      columns: ['tx', 'site_no', 'device_no', ...columnsOf(kind)],
      ...{ where: 'site_no = $1', from: '$2', to: '$3' },
    }),
  );
}

const METER_SELECT = ofWindow('meter');
const BATTERY_SELECT = ofWindow('battery');
const METER_OF_SITE = ofSite('meter');
const BATTERY_OF_SITE = ofSite('battery');
/** Cells before the first quantity: tx, site, device, time. */
const FIRST_QUANTITY = 4;

function meterReading(device: string, row: readonly Cell[]): MeterReading {
  const reading = emptyMeterReading(device, Number(row[3]));
  let index = FIRST_QUANTITY;
  for (const quantity of METER_QUANTITIES) {
    const cell = row[index++];
    if (typeof cell === 'number') reading[quantity.field] = cell;
  }
  return reading;
}

function batteryReading(device: string, row: readonly Cell[]): BatteryReading {
  const reading = emptyBatteryReading(device, Number(row[3]));
  let index = FIRST_QUANTITY;
  for (const quantity of BATTERY_QUANTITIES) {
    const cell = row[index++];
    if (quantity.type === 'boolean') {
      if (typeof cell === 'boolean') reading[quantity.field] = cell;
    } else if (typeof cell === 'number') reading[quantity.field] = cell;
  }
  return reading;
}
