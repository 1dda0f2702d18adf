// The SQL that turns readings into roll-ups of a minute, and those into coarser ones. The ingest runs it to keep the
// tables, the API to answer for what is not in them yet: one calculation, so that nobody sees two answers.

import { BATTERY_QUANTITIES, METER_QUANTITIES } from '@afterwatt/wire';
import { storedReadings } from './stored-readings.ts';
import type { DeviceTable } from './tables.ts';

/** Stretches of time that readings are rolled up to; '1d' is a calendar day of the site's time zone. */
export const BINS = ['1m', '15m', '1h', '1d'] as const;
export type Bin = (typeof BINS)[number];
export type Kind = DeviceTable['kind'];

/** What the coarser ones are made of. Local days begin at a quarter of an hour in every time zone in use. */
export const SOURCE_BIN = { '15m': '1m', '1h': '15m', '1d': '15m' } as const;

/** Lengths; a day's is that of most days. */
export const BIN_MS: Readonly<Record<Bin, number>> = {
  '1m': 60_000,
  '15m': 900_000,
  '1h': 3_600_000,
  '1d': 86_400_000,
};

/** A gap of more than so many periods is not bridged: nobody knows what flowed in it (as in detection). */
export const BRIDGED_PERIODS = 5;
/** Nor is one of five times the longest period that a site can be registered with, whatever a device promises. */
export const MOST_BRIDGED_S = 5 * 3600;

/**
 * How a stretch's readings become one value. `rms`: the root of the mean of the squares, as IEC 61000-4-30 aggregates
 * voltages. `share`: the share of readings in which a state held. `counter`: it only ever goes up, so how far it came.
 */
export type RolledAs = 'mean' | 'rms' | 'share' | 'counter';

export interface RolledQuantity {
  /** As on the wire. */
  readonly name: string;
  readonly column: string;
  readonly as: RolledAs;
}

/** A power whose energy is counted; `column` stands before _pos_wh and _neg_wh. */
export interface RolledPower {
  readonly name: string;
  readonly column: string;
  /** Of one reading, W. */
  readonly watts: string;
}

/** A register, and the energy that it should advance by. */
export interface RolledRegister {
  readonly name: string;
  readonly column: string;
  readonly power: string;
  readonly side: 'pos' | 'neg';
}

const COUNTERS: ReadonlySet<string> = new Set(['import', 'export', 'seq']);

function rolledAs(quantity: { quantity: string; type: string; unit: string | null }): RolledAs {
  if (COUNTERS.has(quantity.quantity)) return 'counter';
  if (quantity.type === 'boolean') return 'share';
  return quantity.unit === 'V' ? 'rms' : 'mean';
}

function quantitiesOf(
  all: readonly { quantity: string; column: string; type: string; unit: string | null }[],
): RolledQuantity[] {
  return all
    .filter(({ quantity }) => quantity !== 'ut')
    .map((quantity) => ({ name: quantity.quantity, column: quantity.column, as: rolledAs(quantity) }));
}

function powersOf(
  quantities: readonly { quantity: string; column: string; unit: string | null }[],
): RolledPower[] {
  return quantities
    .filter(({ quantity }) => quantity.endsWith('.p'))
    .map(({ quantity, column }) => ({ name: quantity, column, watts: column }));
}

export interface Rolled {
  readonly quantities: readonly RolledQuantity[];
  readonly powers: readonly RolledPower[];
  readonly registers: readonly RolledRegister[];
}

export const ROLLED: Readonly<Record<Kind, Rolled>> = {
  meter: {
    quantities: quantitiesOf(METER_QUANTITIES),
    // Both legs together are what a register counts: one leg's export is the other's import (common practice).
    powers: [
      ...powersOf(METER_QUANTITIES),
      { name: 'service.p', column: 'service_w', watts: 'l1_w::float8 + l2_w' },
    ],
    registers: [
      { name: 'import', column: 'import_wh', power: 'service_w', side: 'pos' },
      { name: 'export', column: 'export_wh', power: 'service_w', side: 'neg' },
    ],
  },
  battery: {
    quantities: quantitiesOf(BATTERY_QUANTITIES),
    powers: powersOf(BATTERY_QUANTITIES),
    registers: [],
  },
};

/** The columns of a roll-up, in the order in which `minutesSql` and `coarseSql` give them. */
export function rollUpColumns(kind: Kind): string[] {
  const { quantities, powers, registers } = ROLLED[kind];
  return [
    ...['site_no', 'device_no', 'at', 'readings', 'covered_s'],
    ...quantities.flatMap(({ column, as }) =>
      as === 'counter'
        ? [`${column}_min`, `${column}_max`, `${column}_n`]
        : [column, `${column}_min`, `${column}_max`, `${column}_n`],
    ),
    ...powers.flatMap(({ column }) => [`${column}_pos_wh`, `${column}_neg_wh`]),
    ...registers.flatMap(({ column }) => [`${column}_moved_wh`, `${column}_excess_wh`]),
  ];
}

/** The start of the stretch that the instant lies in. @param zone SQL of the site's time zone, for days */
export function binStart(bin: Bin, instant: string, zone: string): string {
  switch (bin) {
    case '1m':
      return `date_bin('1 minute', ${instant}, 'epoch')`;
    case '15m':
      return `date_bin('15 minutes', ${instant}, 'epoch')`;
    case '1h':
      return `date_bin('1 hour', ${instant}, 'epoch')`;
    case '1d':
      return `date_trunc('day', ${instant}, ${zone})`;
  }
}

/**
 * Roll-ups of a minute from readings. (`offset 0` keeps the planner from writing an expression out again wherever it
 * is used.)
 *
 * Energy is counted between two readings of a device that follow each other, with power running straight from one to
 * the other; the part of each minute is the minute's, and its parts above and below zero are kept apart. A gap of more
 * than five periods (the later reading's own promise, else the registered period) is not bridged.
 *
 * @param stretches name of a relation (site_no, device_no, from_at, to_at): whole minutes of a device, no two of
 *   them overlapping
 * @param within SQL of two constants, MOST_BRIDGED_S before the first stretch and after the last: the planner then
 *   leaves other days' partitions out, which takes it longer than the rest of the work
 */
export function minutesSql(kind: Kind, stretches: string, within: { from: string; to: string }): string {
  const { quantities, powers, registers } = ROLLED[kind];
  const columns = ['period_s', ...quantities.map(({ column }) => column)];
  const read = (from: string, to: string, only?: 'first' | 'last') =>
    `select at, ${columns.join(', ')} from ${storedReadings(kind, {
      ...{ columns, where: 'site_no = s.site_no and device_no = s.device_no', from, to, within },
      ...(only === undefined ? {} : { only }),
    })}`;
  const reach = `interval '${MOST_BRIDGED_S} seconds'`;
  const watts = (side: 0 | 1 | 'a' | 'b') => (power: RolledPower) => `${power.column}_${side}`;
  const line = (column: string, share: string) => `${column}_0 + (${column}_1 - ${column}_0) * ${share}`;
  return `
    select site_no, device_no, minute as at, (count(*) filter (where own))::int,
      coalesce(sum(3600 * hours), 0)::real,
      ${[...quantities.flatMap(ofReadings), ...powers.flatMap(ofPower), ...registers.flatMap(ofRegister)].join(',\n      ')}
    from (
      select *, ${powers
        .map(
          (p) => `(${watts('a')(p)} + ${watts('b')(p)}) / 2 * hours as ${p.column}_net,
        case when ${watts('a')(p)} >= 0 and ${watts('b')(p)} >= 0 then (${watts('a')(p)} + ${watts('b')(p)}) / 2
          when ${watts('a')(p)} <= 0 and ${watts('b')(p)} <= 0 then 0
          else greatest(${watts('a')(p)}, ${watts('b')(p)}) ^ 2 / (2 * abs(${watts('a')(p)} - ${watts('b')(p)}))
        end * hours as ${p.column}_pos`,
        )
        .join(', ')}
      from (
        select *, (upto_s - from_s) / 3600 as hours, (upto_s - from_s) / gap_s as share,
          ${powers.map(({ column }) => `${line(column, 'from_s / gap_s')} as ${column}_a, ${line(column, 'upto_s / gap_s')} as ${column}_b`).join(', ')}
        from (
          select *, minute = at_minute as own,
            case when gap_s is not null then greatest(0, date_part('epoch', minute - before_at)) end as from_s,
            case when gap_s is not null then least(gap_s, date_part('epoch', minute - before_at) + 60) end as upto_s
          from (
            select *, generate_series(
                greatest(from_at, case when gap_s is null then at_minute else date_bin('1 minute', before_at, 'epoch') end),
                least(to_at - interval '1 minute', at_minute), '1 minute') as minute
            from (
              select s.site_no, s.device_no, s.from_at, s.to_at, r.*, date_bin('1 minute', r.at, 'epoch') as at_minute,
                case when date_part('epoch', r.at - r.before_at) <=
                  least(${BRIDGED_PERIODS} * coalesce(r.period_s, d.period_s), ${MOST_BRIDGED_S})
                then date_part('epoch', r.at - r.before_at) end as gap_s
              from ${stretches} s join device d on d.no = s.device_no
              cross join lateral (
                select u.*, lag(u.at) over w as before_at,
                  ${[
                    ...powers.map(({ column }) => `lag(${column}_1) over w as ${column}_0`),
                    ...registers.map(({ column }) => `lag(${column}) over w as ${column}_0`),
                  ].join(', ')}
                from (
                  select *, ${powers.map((p) => `(${p.watts})::float8 as ${watts(1)(p)}`).join(', ')}
                  from (
                    ${read(`s.from_at - ${reach}`, 's.from_at', 'last')}
                    union all ${read('s.from_at', 's.to_at')}
                    union all ${read('s.to_at', `s.to_at + ${reach}`, 'first')}
                  ) every
                ) u
                window w as (order by u.at)
              ) r
            ) bridged
          ) split offset 0
        ) parts offset 0
      ) ends offset 0
    ) energies
    group by site_no, device_no, minute`;
}

/**
 * Coarser roll-ups from finer ones.
 * @param from a relation with a roll-up's columns, and with `stretch`, the start of the coarser one
 */
export function coarseSql(kind: Kind, from: string): string {
  const { quantities, powers, registers } = ROLLED[kind];
  const summed = [
    ...powers.flatMap(({ column }) => [`${column}_pos_wh`, `${column}_neg_wh`]),
    ...registers.flatMap(({ column }) => [`${column}_moved_wh`, `${column}_excess_wh`]),
  ];
  return `
    select site_no, device_no, stretch as at, sum(readings)::int, sum(covered_s)::real,
      ${[...quantities.flatMap(ofRollUps), ...summed.map((column) => `sum(${column}::float8)::real`)].join(',\n      ')}
    from ${from}
    group by site_no, device_no, stretch`;
}

/** How many readings told a quantity: SQL over a roll-up's row. Where all did, the row doesn't say it again. */
export function countSql({ column, as }: RolledQuantity): string {
  const told = as === 'counter' ? `${column}_max` : column;
  return `coalesce(${column}_n, case when ${told} is null then 0 else readings end)`;
}

function ofReadings({ column, as }: RolledQuantity): string[] {
  const value = as === 'share' ? `${column}::int` : column;
  const own = 'filter (where own)';
  const extremes = [
    `${asColumn(as, `min(${value}) ${own}`)}`,
    `${asColumn(as, `max(${value}) ${own}`)}`,
    `nullif(nullif(count(${column}) ${own}, count(*) ${own}), 0)::int`,
  ];
  switch (as) {
    case 'counter':
      return extremes;
    case 'rms':
      return [`sqrt(avg(${column}::float8 * ${column}) ${own})::real`, ...extremes];
    case 'mean':
    case 'share':
      return [`avg(${value}::float8) ${own}::real`, ...extremes];
  }
}

function ofRollUps(quantity: RolledQuantity): string[] {
  const { column, as } = quantity;
  const n = countSql(quantity);
  const extremes = [
    `min(${column}_min)`,
    `max(${column}_max)`,
    `nullif(nullif(sum(${n}), sum(readings)), 0)::int`,
  ];
  switch (as) {
    case 'counter':
      return extremes;
    case 'rms':
      return [`sqrt(sum(${n} * (${column}::float8 * ${column})) / nullif(sum(${n}), 0))::real`, ...extremes];
    case 'mean':
    case 'share':
      return [`(sum(${n} * ${column}::float8) / nullif(sum(${n}), 0))::real`, ...extremes];
  }
}

function ofPower({ column }: RolledPower): string[] {
  return [`sum(${column}_pos)::real`, `sum(${column}_pos - ${column}_net)::real`];
}

/** Both only where power and register are known at both ends; a register that went back was reset or replaced. */
function ofRegister({ column, power, side }: RolledRegister): string[] {
  const known = `filter (where ${power}_net is not null and ${column} >= ${column}_0)`;
  const moved = `(${column} - ${column}_0) * share`;
  const energy = side === 'pos' ? `${power}_pos` : `(${power}_pos - ${power}_net)`;
  return [`(sum(${moved}) ${known})::real`, `(sum(${energy} - ${moved}) ${known})::real`];
}

function asColumn(as: RolledAs, aggregate: string): string {
  return as === 'counter' ? aggregate : `(${aggregate})::real`;
}
