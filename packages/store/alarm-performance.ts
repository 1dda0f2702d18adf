// How the incidents burden the people who answer them, in the measures of ISA-18.2 clause 16 / IEC 62682.

import { sql, type Transaction } from 'kysely';
import type { Tables } from './tables.ts';

/** More raises than this in ten minutes is a flood (EEMUA 191). */
export const FLOOD_RAISES = 10;
/** An incident that stands longer than this is stale (ISA-18.2). */
export const STALE_HOURS = 24;

export interface AlarmPerformance {
  readonly raised: number;
  readonly sites: number;
  /** Installers, supporters and operators whose tokens are in force and see these incidents. */
  readonly people: number;
  readonly byPriority: Readonly<Record<string, number>>;
  readonly chattering: number;
  readonly stale: number;
  /** Ten-minute stretches in the window, and those of them in flood. */
  readonly stretches: number;
  readonly floodStretches: number;
  readonly mostInTenMinutes: number;
  readonly topTen: readonly {
    readonly site: string | null;
    readonly kind: string;
    readonly raised: number;
  }[];
}

/** Counts what was raised in [from, to), by wall clock, of what the caller may see; late incidents woke nobody. */
export async function readAlarmPerformance(
  tx: Transaction<Tables>,
  from: Date,
  to: Date,
): Promise<AlarmPerformance> {
  const raised = sql`select * from incident where raised_at >= ${from} and raised_at < ${to} and not late`;
  const counts = await sql<Omit<AlarmPerformance, 'byPriority' | 'topTen'>>`
    with raised as (${raised}),
      stretch as (select count(*) as n from raised group by date_bin('10 minutes', raised_at, ${from}))
    select
      (select count(*) from raised) as raised,
      (select count(*) from site where deleted_at is null) as sites,
      (select count(*) from api_token where revoked_at is null and role <> 'homeowner'
        and (caller_role() <> 'installer' or company = caller_company())) as people,
      (select count(*) from raised where chattering) as chattering,
      (select count(*) from raised
        where coalesce(cleared_at, now()) - raised_at > make_interval(hours => ${STALE_HOURS})) as stale,
      ceil(extract(epoch from ${to}::timestamptz - ${from}::timestamptz) / 600)::float8 as stretches,
      (select count(*) from stretch where n > ${FLOOD_RAISES}) as "floodStretches",
      coalesce((select max(n) from stretch), 0) as "mostInTenMinutes"`.execute(tx);
  const priorities = await sql<{ priority: string; n: number }>`
    with raised as (${raised}) select priority, count(*) as n from raised group by 1`.execute(tx);
  const top = await sql<{ site: string | null; kind: string; raised: number }>`
    with raised as (${raised}) select site, kind, count(*) as raised from raised
    group by 1, 2 order by 3 desc, 1, 2 limit 10`.execute(tx);
  const [counted] = counts.rows;
  if (counted === undefined) throw new Error('a count without a row');
  return {
    ...counted,
    byPriority: Object.fromEntries(priorities.rows.map(({ priority, n }) => [priority, n])),
    topTen: top.rows,
  };
}
