// Keeps the roll-ups, a step at a time. Readings are found in commit order, as the rules find them; the stretches that
// they touch are noted in rollup_due, and made (again) as a whole from what is stored once they are over, coarser ones
// from finer ones. So it does not matter in which order, how often or how late readings come, or who does a step.
//
// Each step is one transaction under one lock: many workers may try, one at a time gets on, and one that is killed
// leaves nothing half done.

import type pg from 'pg';
import { findNextWindow } from './committed.ts';
import {
  BIN_MS,
  BINS,
  type Bin,
  BRIDGED_PERIODS,
  binStart,
  coarseSql,
  type Kind,
  MOST_BRIDGED_S,
  minutesSql,
  rollUpColumns,
  SOURCE_BIN,
} from './roll-up-sql.ts';
import { storedReadings } from './stored-readings.ts';

const KINDS: readonly Kind[] = ['meter', 'battery'];

/**
 * After its end a stretch waits so long for the last of its readings and for the one after it, with which the energy
 * up to its end is known. What comes later has it made again.
 */
const GRACE_MS = 60_000;

export interface RollUpLimits {
  /** Readings looked at in one step; a transaction's are never parted. */
  readonly readings: number;
  /** Stretches made in one step. */
  readonly stretches: number;
}

export interface RolledUp {
  /** Readings found newly committed. */
  readonly readings: number;
  /** Stretches made, those for which nothing was stored included. */
  readonly stretches: Readonly<Record<Bin, number>>;
  /** Nothing more could be done now. */
  readonly isDone: boolean;
}

/**
 * Notes what the newly committed readings touch, and makes stretches that are due, the newest first so that a backlog
 * keeps nobody waiting.
 * @param nowMs stretches that end before it, with a minute's grace, are made
 * @returns undefined when another worker is at it
 */
export async function rollUp(
  pool: pg.Pool,
  limits: RollUpLimits,
  nowMs: number,
): Promise<RolledUp | undefined> {
  const readings = await noteCommitted(pool, limits.readings);
  if (readings === undefined) return undefined;
  const stretches: Record<Bin, number> = { '1m': 0, '15m': 0, '1h': 0, '1d': 0 };
  let isDone = readings.isAll;
  for (const bin of BINS) {
    for (const kind of KINDS) {
      const made = await makeDue(pool, kind, bin, limits.stretches, nowMs);
      if (made === undefined) return undefined;
      stretches[bin] += made;
      if (made === limits.stretches) isDone = false;
    }
  }
  return { readings: readings.count, stretches, isDone };
}

/** Says that nothing is left to do; what /metrics tells the lag by. */
export async function markRolledUp(pool: pg.Pool): Promise<void> {
  await pool.query('update rollup_state set caught_up_at = now()');
}

interface Noted {
  readonly count: number;
  /** Nothing more was committed. */
  readonly isAll: boolean;
}

function noteCommitted(pool: pg.Pool, most: number): Promise<Noted | undefined> {
  return inStep(pool, async (client) => {
    const state = await client.query<{ tx: number }>('select tx from rollup_state');
    const fromTx = state.rows[0]?.tx ?? 0;
    const window = await findNextWindow(client, fromTx, most);
    if (window === undefined) return { count: 0, isAll: true };
    let count = 0;
    for (const kind of KINDS) {
      const values = [window.fromTx, window.toTx];
      const found = await client.query<Span>(SPAN[kind], values);
      const { first, last } = found.rows[0] ?? NO_SPAN;
      if (first === null) continue;
      const noted = await client.query<{ readings: number }>(NOTE[kind], [
        ...[...values, first, new Date(last.getTime() + MOST_BRIDGED_S * 1000 + 1)],
      ]);
      count += noted.rows[0]?.readings ?? 0;
    }
    // Not written where nothing was found: the write would be all that the next step finds, and so on without an end.
    if (count > 0) await client.query('update rollup_state set tx = $1', [window.toTx]);
    return { count, isAll: count < most };
  });
}

type Span = { readonly first: Date; readonly last: Date } | { readonly first: null; readonly last: null };
const NO_SPAN: Span = { first: null, last: null };

type Due =
  | { readonly months: readonly Date[]; readonly first: Date; readonly last: Date }
  | { readonly months: null; readonly first: null; readonly last: null };
const NONE_DUE: Due = { months: null, first: null, last: null };

async function makeDue(
  pool: pg.Pool,
  kind: Kind,
  bin: Bin,
  most: number,
  nowMs: number,
): Promise<number | undefined> {
  const over = new Date(nowMs - BIN_MS[bin] - GRACE_MS);
  const due = await pool.query<Due>(
    `select array_agg(distinct date_trunc('month', at)) as months, min(at) as first, max(at) as last
     from rollup_due where ctid = any (array(${DUE}))`,
    [kind, bin, '-infinity', over, most],
  );
  const [{ months, first, last } = NONE_DUE] = due.rows;
  if (months === null) return 0;
  return inStep(pool, async (client) => {
    await client.query('select ensure_rollup_partitions($1, $2)', [`${kind}_${bin}`, months]);
    const reach = [
      new Date(first.getTime() - MOST_BRIDGED_S * 1000),
      new Date(last.getTime() + BIN_MS['1m'] + MOST_BRIDGED_S * 1000),
    ];
    const made = await client.query<{ stretches: number }>(MAKE[kind][bin], [
      ...[kind, bin, first, last, most],
      ...(bin === '1m' ? reach : []),
    ]);
    return made.rows[0]?.stretches ?? 0;
  });
}

/** @returns undefined when another worker holds the lock */
async function inStep<T>(pool: pg.Pool, work: (client: pg.ClientBase) => Promise<T>): Promise<T | undefined> {
  const client = await pool.connect();
  let broken: Error | undefined;
  try {
    await client.query('begin');
    const lock = await client.query<{ got: boolean }>(
      `select pg_try_advisory_xact_lock(hashtext('roll-ups')) as got`,
    );
    let result: T | undefined;
    if (lock.rows[0]?.got === true) {
      // The statements are long and their rows few: compiling them would take longer than running them.
      await client.query(`set local jit = off; set local work_mem = '32MB'`);
      result = await work(client);
    }
    await client.query('commit');
    return result;
  } catch (error) {
    broken = error instanceof Error ? error : new Error(String(error));
    throw error;
  } finally {
    client.release(broken);
  }
}

/** $1 kind, $2 bin, $3 and $4 the oldest and newest start, $5 how many. */
const DUE = `select ctid from rollup_due where kind = $1 and bin = $2 and at >= $3 and at <= $4 order by at desc limit $5`;

/** By their places in the table: a join with them would be planned as if there were few, and go through all for each. */
const TAKE = `delete from rollup_due where ctid = any (array(${DUE})) returning site_no, device_no, at`;

/**
 * A reading touches its own minute and those over which power runs to it from the reading before and from it to the
 * next one, or ran to the next one past it. How far back is not looked up: it is as far as a gap is bridged, and those
 * minutes are seldom made yet. $3 and $4 are around all readings that this looks at.
 */
function noteSql(kind: Kind): string {
  const read = (from: string, to: string, only?: 'first') =>
    `select at, period_s from ${storedReadings(kind, {
      ...{ columns: ['period_s'], where: 'site_no = f.site_no and device_no = f.device_no', from, to },
      ...{ within: { from: '$3', to: '$4' }, ...(only === undefined ? {} : { only }) },
    })}`;
  // Not included is the next instant that PostgreSQL knows.
  const after = (instant: string) => `${instant} + interval '1 microsecond'`;
  // By the quarter of an hour, so that the look for the next reading is made seldom.
  return `
    with found as (
      select site_no, device_no, min(at) as first_at, max(at) as last_at, count(*) as readings
      from ${kind}_reading where tx > $1 and tx <= $2
      group by site_no, device_no, date_bin('15 minutes', at, 'epoch')
    ), reach as (
      select f.site_no, f.device_no, of.from_at, of.to_at
      from found f join device d on d.no = f.device_no
      cross join lateral (
        select min(from_at) as from_at, max(at) as to_at
        from (
          select at, at - least(${BRIDGED_PERIODS} * coalesce(period_s, d.period_s), ${MOST_BRIDGED_S}) * interval '1 second' as from_at
          from (
            ${read('f.first_at', after('f.last_at'))}
            union all
            ${read(after('f.last_at'), after(`f.last_at + interval '${MOST_BRIDGED_S} seconds'`), 'first')}
          ) touched
        ) reaching where from_at <= f.last_at
      ) of
    ), noted as (
      insert into rollup_due (site_no, device_no, kind, bin, at)
      select distinct site_no, device_no, '${kind}', '1m',
        generate_series(date_bin('1 minute', from_at, 'epoch'), to_at, '1 minute')
      from reach on conflict do nothing
    )
    select coalesce(sum(readings), 0)::int as readings from found`;
}

function makeSqls(kind: Kind): Record<Bin, string> {
  return {
    '1m': makeSql(
      kind,
      '1m',
      `stretch as (${STRETCHES}), made (${rollUpColumns(kind).join(', ')}) as (${minutesSql(kind, 'stretch', { from: '$6', to: '$7' })})`,
    ),
    '15m': makeSql(
      kind,
      '15m',
      `made (${rollUpColumns(kind).join(', ')}) as (${coarseSql(kind, sourceOf(kind, '15m'))})`,
    ),
    '1h': makeSql(
      kind,
      '1h',
      `made (${rollUpColumns(kind).join(', ')}) as (${coarseSql(kind, sourceOf(kind, '1h'))})`,
    ),
    '1d': makeSql(
      kind,
      '1d',
      `made (${rollUpColumns(kind).join(', ')}) as (${coarseSql(kind, sourceOf(kind, '1d'))})`,
    ),
  };
}

/** Minutes of one device that follow each other, as one. */
const STRETCHES = `
  select site_no, device_no, min(at) as from_at, max(at) + interval '1 minute' as to_at
  from (select *, at - row_number() over (partition by site_no, device_no order by at) * interval '1 minute' as run
        from due) runs
  group by site_no, device_no, run`;

/** The finer roll-ups of the stretches in `due`. A day's are looked for around it: its length and start vary. */
function sourceOf(kind: Kind, bin: keyof typeof SOURCE_BIN): string {
  const source = `${kind}_${SOURCE_BIN[bin]}`;
  const of = 'of.site_no = due.site_no and of.device_no = due.device_no';
  if (bin !== '1d') {
    return `(select of.*, due.at as stretch from due cross join lateral (
      select * from ${source} of where ${of} and of.at >= due.at and of.at < due.at + interval '${BIN_MS[bin]} ms'
    ) of) finer`;
  }
  return `(select of.*, due.at as stretch
    from due join site on site.no = due.site_no cross join lateral (
      select * from ${source} of where ${of} and of.at >= due.at - interval '3 hours'
        and of.at < due.at + interval '27 hours' and ${binStart(bin, 'of.at', `site.config ->> 'timeZone'`)} = due.at
    ) of) finer`;
}

/**
 * Takes due stretches, writes their rows (a row that nothing is left for goes: its energy ran across a gap that a
 * reading came into), and notes the coarser stretches that these belong to. Where what a row is
 * made of was dropped already, one that stands is better than what late readings alone would make: it stays, and only
 * a stretch that has none yet gets one.
 */
function makeSql(kind: Kind, bin: Bin, made: string): string {
  const columns = rollUpColumns(kind);
  const values = columns.filter((column) => !['site_no', 'device_no', 'at'].includes(column));
  const kept = { '1m': 'readings_from', '15m': 'minutes_from', '1h': undefined, '1d': undefined }[bin];
  const standing = kept === undefined ? '' : `and stored.at >= (select ${kept} from rollup_state)`;
  const coarser = BINS.filter((other) => other !== '1m' && SOURCE_BIN[other] === bin);
  const parents = coarser.map(
    (other) => `, noted_${other} as (
      insert into rollup_due (site_no, device_no, kind, bin, at)
      select distinct site_no, device_no, '${kind}', '${other}',
        ${binStart(other, 'due.at', `site.config ->> 'timeZone'`)}
      from due ${other === '1d' ? 'join site on site.no = due.site_no' : ''} on conflict do nothing
    )`,
  );
  return `
    with due as (${TAKE}), ${made}, written as (
      insert into ${kind}_${bin} as stored (${columns.join(', ')}) select * from made
      on conflict (site_no, device_no, at) do update
        set (${values.join(', ')}) = row(${values.map((column) => `excluded.${column}`).join(', ')})
        where true ${standing}
    ), gone as (
      delete from ${kind}_${bin} stored using (
        select site_no, device_no, at from due except select site_no, device_no, at from made
      ) empty
      where stored.site_no = empty.site_no and stored.device_no = empty.device_no and stored.at = empty.at
        and stored.at >= $3 and stored.at <= $4 ${standing}
    )${parents.join('')}
    select count(*)::int as stretches from due`;
}

/** From the first to the last of the new readings; $1 and $2 are the window's transactions, as in `noteSql`. */
function spanSql(kind: Kind): string {
  return `select min(at) as first, max(at) as last from ${kind}_reading where tx > $1 and tx <= $2`;
}

const SPAN: Readonly<Record<Kind, string>> = { meter: spanSql('meter'), battery: spanSql('battery') };
const NOTE: Readonly<Record<Kind, string>> = { meter: noteSql('meter'), battery: noteSql('battery') };

const MAKE: Readonly<Record<Kind, Readonly<Record<Bin, string>>>> = {
  meter: makeSqls('meter'),
  battery: makeSqls('battery'),
};
