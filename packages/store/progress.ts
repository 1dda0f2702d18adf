// Whether readings are being taken in and judged: what /readyz and /metrics ask.

import { sql } from 'kysely';
import type { Database } from './connect.ts';

export interface Progress {
  /** Since an ingest last said that it is up; null when none ever has. */
  readonly pulseAgeSeconds: number | null;
  /** Since nothing that was committed waited to be rolled up. */
  readonly rollUpLagSeconds: number;
  /** Shards that a rules worker holds, of SHARD_COUNT. */
  readonly shardsHeld: number;
}

export async function readProgress(db: Database): Promise<Progress> {
  const found = await sql<Progress>`
    select (select extract(epoch from clock_timestamp() - at)::float8 from pulse order by tx desc limit 1)
        as "pulseAgeSeconds",
      (select extract(epoch from clock_timestamp() - caught_up_at)::float8 from rollup_state) as "rollUpLagSeconds",
      (select count(*) from shard where lease_until > clock_timestamp()) as "shardsHeld"`.execute(db);
  return found.rows[0] ?? { pulseAgeSeconds: null, rollUpLagSeconds: 0, shardsHeld: 0 };
}
