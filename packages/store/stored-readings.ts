// The SQL that reads readings by time, whether they lie in plain rows or packed (migrations/0006_packed_readings.sql).

import type { ReadingKind } from '@afterwatt/wire';

export interface StoredReadings {
  /** Of the reading tables, besides `at`. Each array that is named is unpacked, and no other. */
  readonly columns: readonly string[];
  /** SQL over site_no and device_no. */
  readonly where: string;
  /** SQL of an instant: included. */
  readonly from: string;
  /** Not included. */
  readonly to: string;
  /**
   * SQL of two constants around `from` and `to`, where those are none: the planner then leaves other days' partitions
   * out, and with them, nearly always, all that is packed.
   */
  readonly within?: { readonly from: string; readonly to: string };
  /** The first or the last of them alone. */
  readonly only?: 'first' | 'last';
}

const KEYS: readonly string[] = ['tx', 'site_no', 'device_no'];

/** A relation with `at` and the columns asked for, in parentheses and named `stored`. */
export function storedReadings(kind: ReadingKind, stored: StoredReadings): string {
  const { columns, from, only, to, where, within } = stored;
  const spans = within === undefined ? [{ from, to }] : [{ from, to }, within];
  const unpacked = columns.map((column) =>
    KEYS.includes(column) ? column : `unnest(${column}) as ${column}`,
  );
  // Said to each of the two tables: the planner would not say it to them, and read all to find the one.
  const picked = only === undefined ? '' : `order by at ${only === 'last' ? 'desc' : 'asc'} limit 1`;
  // The start of the hour by date_bin, not by a subtraction: that depends on the session's time zone, so that the
  // planner would not do it.
  const packed = `
    select at, ${columns.join(', ')} from (
      select unnest(times) as at, ${unpacked.join(', ')} from ${kind}_packed where ${[
        where,
        ...spans.map(
          (span) => `at >= date_bin('1 hour', ${instant(span.from)}, 'epoch') and at < ${instant(span.to)}`,
        ),
      ].join(' and ')}
    ) unpacked where at >= ${instant(from)} and at < ${instant(to)}`;
  const plain = `
    select at, ${columns.join(', ')} from ${kind}_reading where ${[
      where,
      ...spans.map((span) => `at >= ${instant(span.from)} and at < ${instant(span.to)}`),
    ].join(' and ')}`;
  // The plain tables first: PostgreSQL locks tables in this order and looks then what partitions there are. A day that is
  // packed just now is waited for at its plain rows, and found packed.
  return only === undefined
    ? `(${plain} union all ${packed}) stored`
    : `(select * from ((${plain} ${picked}) union all (${packed} ${picked})) found ${picked}) stored`;
}

function instant(expression: string): string {
  return `(${expression})::timestamptz`;
}
