// Readings of one device over a window, column by column: as they came, or rolled up.

import { type RawBuilder, sql, type Transaction } from 'kysely';
import {
  BIN_MS,
  BINS,
  type Bin,
  binStart,
  coarseSql,
  countSql,
  type Kind,
  MOST_BRIDGED_S,
  minutesSql,
  ROLLED,
  rollUpColumns,
} from './roll-up-sql.ts';
import type { StoredDevice } from './sites.ts';
import { storedReadings } from './stored-readings.ts';
import type { Tables } from './tables.ts';

export interface ColumnsRequest {
  readonly siteNo: number;
  readonly device: StoredDevice;
  /** Names of `QUANTITY_NAMES`, and for roll-ups of `ROLLED_NAMES`; those such a device does not have are passed over. */
  readonly quantities: readonly string[];
  /** Included; a roll-up's stretch that it lies in is told as a whole. */
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

/** What a device of each kind can report, by name on the wire. */
export const QUANTITY_NAMES: Readonly<Record<Kind, readonly string[]>> = {
  meter: ROLLED.meter.quantities.map(({ name }) => name),
  battery: ROLLED.battery.quantities.map(({ name }) => name),
};

/**
 * What energy and register may differ by over one stretch: two steps of a register that counts in 10 Wh, and five per
 * cent, which is what readings some seconds apart miss of a load that switches. Common practice.
 */
const DIFFER_WH = 20;
const DIFFER_SHARE = 0.05;

/** Name -> SQL over a roll-up's row, of what only roll-ups have. */
const ROLLED_FIELDS: Readonly<Record<Kind, ReadonlyMap<string, string>>> = {
  meter: rolledFields('meter'),
  battery: rolledFields('battery'),
};

/** What a roll-up tells besides `QUANTITY_NAMES`. */
export const ROLLED_NAMES: Readonly<Record<Kind, readonly string[]>> = {
  meter: [...ROLLED_FIELDS.meter.keys()],
  battery: [...ROLLED_FIELDS.battery.keys()],
};

function rolledFields(kind: Kind): Map<string, string> {
  const { quantities, powers, registers } = ROLLED[kind];
  const differ = registers.map(
    ({ column }) =>
      `abs(${column}_excess_wh) > ${DIFFER_WH} + ${DIFFER_SHARE} * greatest(${column}_moved_wh, ${column}_moved_wh + ${column}_excess_wh)`,
  );
  return new Map([
    ...quantities.flatMap((quantity): [string, string][] => [
      [`${quantity.name}.min`, `${quantity.column}_min`],
      [`${quantity.name}.max`, `${quantity.column}_max`],
      [`${quantity.name}.count`, countSql(quantity)],
    ]),
    ...powers.flatMap(({ name, column }): [string, string][] => [
      [`${name}.energy-pos`, `${column}_pos_wh`],
      [`${name}.energy-neg`, `${column}_neg_wh`],
    ]),
    ...registers.flatMap(({ name, column }): [string, string][] => [
      [`${name}.moved`, `${column}_moved_wh`],
      [`${name}.excess`, `${column}_excess_wh`],
    ]),
    ...(differ.length > 0
      ? [['registers.differ', `coalesce(${[differ.join(' or '), ...differ].join(', ')})`] as const]
      : []),
    ['readings', 'readings'],
    ['covered', 'covered_s'],
  ]);
}

/**
 * At most `limit` times of one device. The site must be open (`openSite`).
 *
 * A stretch shows the mean of each measurement (of voltages the root of the mean square), for a state (`grid`,
 * `storm`) the share of readings in which it held, and for registers and `seq` how far they came; null where no
 * reading told it.
 */
export async function listColumns(tx: Transaction<Tables>, request: ColumnsRequest): Promise<Columns> {
  const { bin, device, from, to, siteNo, limit } = request;
  const fields = fieldsOf(request);
  if (fields.size === 0) return { times: [], columns: new Map() };
  const unsettled = bin === 'raw' ? undefined : await findUnsettled(tx, request, bin);
  const rows =
    bin === 'raw'
      ? sql`select at as time, ${selected(fields)} from ${sql.raw(
          storedReadings(device.kind, {
            columns: [...fields.values()],
            where: `site_no = ${siteNo} and device_no = ${device.no}`,
            ...{ from: `'${from.toISOString()}'`, to: `'${to.toISOString()}'` },
          }),
        )} order by at limit ${limit}`
      : rolledQuery(request, bin, fields, unsettled);
  // A JSON array a column: a year of hours is read in a third of the time that a row each takes.
  const told = await sql<Told>`
    select json_agg((date_part('epoch', time) * 1000)::bigint) as times,
      json_build_array(${sql.join([...fields.keys()].map((name) => sql`json_agg(${sql.id(name)})`))}) as cells
    from (${rows}) told`.execute(tx);
  const { times, cells } = told.rows[0] ?? { times: null, cells: [] };
  return {
    times: (times ?? []).map((ms) => new Date(ms)),
    columns: new Map([...fields.keys()].map((name, index) => [name, (cells[index] ?? []).map(rounded)])),
  };
}

/** Readings, and roll-ups of 1 min, are there from these times on; what came before was dropped. */
export async function readKeptSince(
  tx: Transaction<Tables>,
): Promise<{ readonly readings: Date; readonly minutes: Date }> {
  // Infinity is no date in JavaScript.
  const found = await sql<{
    readings: Date;
    minutes: Date;
  }>`select greatest(readings_from, 'epoch') as readings,
    greatest(minutes_from, 'epoch') as minutes from rollup_state`.execute(tx);
  return found.rows[0] ?? { readings: new Date(0), minutes: new Date(0) };
}

/** Null where there are no rows. */
interface Told {
  readonly times: readonly number[] | null;
  readonly cells: readonly (readonly Cell[] | null)[];
}

/** Name -> SQL, of what was asked for and is there. */
function fieldsOf({ bin, device, quantities }: ColumnsRequest): Map<string, string> {
  const plain = ROLLED[device.kind].quantities.map(({ name, column, as }): [string, string] => [
    name,
    bin !== 'raw' && as === 'counter' ? `${column}_max` : column,
  ]);
  const known = [...plain, ...(bin === 'raw' ? [] : ROLLED_FIELDS[device.kind])];
  return new Map(known.filter(([name]) => quantities.includes(name)));
}

function selected(fields: ReadonlyMap<string, string>): RawBuilder<unknown> {
  return sql.join([...fields].map(([name, field]) => sql`${sql.raw(field)} as ${sql.id(name)}`));
}

/** What is not in the tables as it will be: PostgreSQL's text of the times, null where there is none. */
interface Unsettled {
  /** The first and the last stretch that is due to be made again. */
  readonly due_from: string | null;
  readonly due_to: string | null;
  /**
   * Minutes that nobody has looked at yet: from the newest that is known, and up to the newest reading's. Such readings
   * are never packed.
   */
  readonly tail_from: string;
  readonly tail_to: string | null;
  /** Around all of them, as far as a gap is bridged. */
  readonly reach_from: string;
  readonly reach_to: string;
}

/** Asked by itself: most windows are settled, and planning for those that are not takes longer than telling them. */
async function findUnsettled(
  tx: Transaction<Tables>,
  { device, from, to, siteNo, timeZone }: ColumnsRequest,
  bin: Bin,
): Promise<Unsettled | undefined> {
  const { kind } = device;
  const ofDevice = sql`site_no = ${siteNo} and device_no = ${device.no}`;
  const end = sql`(${to}::timestamptz + ${lengthOf(bin)})`;
  const reach = sql.raw(`interval '${MOST_BRIDGED_S + 60} seconds'`);
  const found = await sql<Unsettled>`
    with kept as materialized (
      select greatest(${startOf(bin, from, timeZone)}, readings_from, minutes_from) as from_at from rollup_state
    ), due as materialized (
      select min(at) as from_at, max(at) as to_at from rollup_due
      where ${ofDevice} and kind = ${kind} and bin in (${sql.join(finerOrSame(bin))})
        and at >= (select from_at from kept) and at < ${end}
    ), tail as materialized (
      select greatest((select from_at from kept), (select max(at) from ${sql.table(`${kind}_1m`)} where ${ofDevice}),
        (select max(at) from rollup_due where ${ofDevice} and kind = ${kind} and bin = '1m')) as from_at
    ), newest as materialized (
      select date_bin('1 minute', max(at), 'epoch') + interval '1 minute' as to_at
      from ${sql.table(`${kind}_reading`)} where ${ofDevice} and at >= (select from_at from tail) and at < ${end}
    )
    select due.from_at::text as due_from, due.to_at::text as due_to, tail.from_at::text as tail_from, newest.to_at::text as tail_to,
      (least(due.from_at, case when newest.to_at is not null then tail.from_at end) - ${reach})::text as reach_from,
      (greatest(due.to_at, newest.to_at) + ${reach})::text as reach_to
    from due, tail, newest where due.from_at is not null or newest.to_at is not null`.execute(tx);
  return found.rows[0];
}

function finerOrSame(bin: Bin): Bin[] {
  return BINS.slice(0, BINS.indexOf(bin) + 1);
}

/** A day may take 25 hours. */
function lengthOf(bin: Bin): RawBuilder<unknown> {
  return sql.raw(`interval '${BIN_MS[bin] + (bin === '1d' ? BIN_MS['1h'] : 0)} ms'`);
}

/** The start of the stretch that the instant lies in. */
function startOf(bin: Bin, instant: Date, timeZone: string): RawBuilder<unknown> {
  return sql`(select ${sql.raw(binStart(bin, 'at', 'zone'))} from (select ${instant}::timestamptz as at, ${timeZone}::text as zone) given)`;
}

/**
 * Stretches as they are stored, but for those that are due to be made again and those that readings came to since
 * anybody looked: they are made here, from what is there now, in the same way.
 */
function rolledQuery(
  request: ColumnsRequest,
  bin: Bin,
  fields: ReadonlyMap<string, string>,
  unsettled: Unsettled | undefined,
): RawBuilder<unknown> {
  const { device, from, to, siteNo, timeZone, limit } = request;
  const { kind } = device;
  const columns = sql.raw(rollUpColumns(kind).join(', '));
  const ofDevice = sql`site_no = ${siteNo} and device_no = ${device.no}`;
  const minutes = sql.table(`${kind}_1m`);
  const start = (instant: string) => sql.raw(binStart(bin, instant, '(select zone from asked)'));
  // Time that no reading lies in is told only to those who ask for what flowed across it.
  const isTold = [...fields.keys()].some((name) => /energy|covered|moved|excess|differ/.test(name))
    ? sql`true`
    : sql`readings > 0`;
  const stored = sql`select at as time, ${selected(fields)} from ${sql.table(`${kind}_${bin}`)}
    where ${ofDevice} and at >= ${startOf(bin, from, timeZone)} and at < ${to} and ${isTold}`;
  if (unsettled === undefined) return sql`${stored} order by 1 limit ${limit}`;
  const within = { from: `'${unsettled.reach_from}'`, to: `'${unsettled.reach_to}'` };
  return sql`
    with asked as materialized (
      select zone, from_at, ${sql.raw(binStart(bin, 'from_at', 'zone'))} as first_at
      from (select ${timeZone}::text as zone, ${from}::timestamptz as from_at) given
    ), due as materialized (
      select bin, at from rollup_due
      where ${ofDevice} and kind = ${kind} and bin in (${sql.join(finerOrSame(bin))})
        and at >= ${unsettled.due_from}::timestamptz and at <= ${unsettled.due_to}::timestamptz
    ), stretch as materialized (
      select ${siteNo}::integer as site_no, ${device.no}::integer as device_no, from_at, to_at from (
        select min(at) as from_at, max(at) + interval '1 minute' as to_at
        from (select at, at - row_number() over (order by at) * interval '1 minute' as run
              from due where bin = '1m' and (at < ${unsettled.tail_from}::timestamptz or ${unsettled.tail_to}::timestamptz is null)) runs
        group by run
        union all select ${unsettled.tail_from}::timestamptz, ${unsettled.tail_to}::timestamptz
      ) stretches where to_at is not null
    ), live (${columns}) as materialized (
      ${sql.raw(minutesSql(kind, 'stretch', within))}
    )${
      bin === '1m'
        ? sql`, stale as (select at from due union all select at from live), fresh as (select * from live)`
        : sql`, stale as materialized (
      select distinct ${start('at')} as at from (select at from due union select at from live) touched
    ), finer as (
      select of.*, stale.at as stretch from stale cross join lateral (
        select ${columns} from ${minutes} where ${ofDevice}
          and at >= stale.at - interval '3 hours' and at < stale.at + ${lengthOf(bin)} + interval '3 hours'
          and ${start('at')} = stale.at and at <> all (select at from live union all select at from due where bin = '1m')
      ) of
      union all select *, ${start('at')} from live
    ), fresh (${columns}) as materialized (
      ${sql.raw(coarseSql(kind, 'finer'))}
    )`
    }
    ${stored} and at <> all (select at from stale)
    union all
    select at, ${selected(fields)} from fresh
    where at >= (select first_at from asked) and at < ${to} and ${isTold}
    order by 1 limit ${limit}`;
}

/** A mean is given to a thousandth: no meter here tells more. */
function rounded(value: Cell): Cell {
  return typeof value === 'number' ? Math.round(value * 1000) / 1000 : value;
}
