// One worker at a time watches the fleet: many sites that fall silent together are one incident, and their own
// silences are closed as explained by it. It reads what the site watches committed, in commit order.

import { type FleetSilence, type FleetTransition, startFleetSilence } from '@afterwatt/detect';
import { backoffMs, isTransient, type Logger, pause } from '@afterwatt/runtime';
import {
  type Connection,
  clearFleetIncident,
  closeExplainedSilences,
  findNextWindow,
  listFleetSites,
  listFleetStates,
  listPulses,
  listSilences,
  notifyIncidents,
  reopenExplainedSilences,
  upsertFleetIncident,
  upsertFleetState,
} from '@afterwatt/store';
import { INCIDENT_KINDS } from '@afterwatt/wire';
import type pg from 'pg';

const ROUND_MS = 2_000;
/** 'fleet' in ASCII: the advisory lock that its one watcher holds. */
const LOCK = 0x666c6565;
/** All of a company's sites come in by the same way until a broker is named. */
const BROKER = 'main';

export interface FleetWatchDeps {
  readonly connection: Connection;
  readonly log: Logger;
  readonly signal: AbortSignal;
}

/** Runs until the signal is aborted; waits while another worker watches. */
export async function watchFleet({ connection, log, signal }: FleetWatchDeps): Promise<void> {
  for (let failures = 0; !signal.aborted; ) {
    let client: pg.PoolClient | undefined;
    let broken: Error | undefined;
    try {
      client = await connection.pool.connect();
      const locked = await client.query<{ ok: boolean }>('select pg_try_advisory_lock($1) as ok', [LOCK]);
      if (locked.rows[0]?.ok === true) {
        log.info('watching the fleet');
        await watch(connection, client, signal);
        await client.query('select pg_advisory_unlock($1)', [LOCK]);
      }
      failures = 0;
      await pause(ROUND_MS, signal);
    } catch (error) {
      if (!isTransient(error)) throw error;
      broken = error instanceof Error ? error : undefined;
      failures++;
      log.warn({ err: error, failures }, 'lost the watch over the fleet');
      await pause(backoffMs(failures), signal);
    } finally {
      client?.release(broken);
    }
  }
}

async function watch(connection: Connection, lock: pg.PoolClient, signal: AbortSignal): Promise<void> {
  const { db, pool } = connection;
  const saved = await listFleetStates(db);
  const fleets = new Map<string, FleetSilence>(
    saved.map(({ company, state }) => [company, startFleetSilence(state)]),
  );
  let siteTx = 0;
  let tx = saved.reduce((least, state) => Math.min(least, state.tx), Number.POSITIVE_INFINITY);
  // Without a saved state silences count from now on: older ones have been told one by one.
  if (!Number.isFinite(tx)) tx = (await findNextWindow(pool, 0, Number.MAX_SAFE_INTEGER))?.toTx ?? 0;
  while (!signal.aborted) {
    await lock.query('select 1');
    const window = await findNextWindow(pool, tx, Number.MAX_SAFE_INTEGER);
    if (window !== undefined) {
      const { found, changed } = await judge(connection, fleets, window, siteTx);
      siteTx = window.toTx;
      if (changed) await write(connection, fleets, found, window.toTx);
      tx = window.toTx;
    }
    await pause(ROUND_MS, signal);
  }
}

interface FoundInFleet {
  readonly company: string;
  readonly transition: FleetTransition;
}

async function judge(
  { db, pool }: Connection,
  fleets: Map<string, FleetSilence>,
  window: { readonly fromTx: number; readonly toTx: number },
  siteTx: number,
): Promise<{ found: readonly FoundInFleet[]; changed: boolean }> {
  const found: FoundInFleet[] = [];
  const fleetOf = (company: string) => {
    const known = fleets.get(company) ?? startFleetSilence();
    fleets.set(company, known);
    return known;
  };
  const take = (company: string, transitions: readonly FleetTransition[]) => {
    for (const transition of transitions) found.push({ company, transition });
  };
  const pulses = await listPulses(pool, window);
  const nowMs = pulses.reduce((newest, { atMs }) => Math.max(newest, atMs), 0);
  for (const { company, site, region, deleted } of await listFleetSites(db, { ...window, fromTx: siteTx })) {
    if (deleted) take(company, fleetOf(company).remove(site, nowMs));
    else fleetOf(company).place({ site, region, broker: BROKER });
  }
  const silences = await listSilences(db, window);
  // Sites run on their own device time, which is the ingest's clock but for seconds; the fleet's never goes back.
  let atMs = 0;
  for (const silence of silences) {
    atMs = Math.max(atMs, silence.atMs);
    take(silence.company, fleetOf(silence.company).hear({ ...silence, atMs }));
  }
  if (nowMs > 0) for (const [company, fleet] of fleets) take(company, fleet.passTime(nowMs));
  return { found, changed: found.length > 0 || silences.length > 0 };
}

async function write(
  { db }: Connection,
  fleets: ReadonlyMap<string, FleetSilence>,
  found: readonly FoundInFleet[],
  tx: number,
): Promise<void> {
  await db.transaction().execute(async (transaction) => {
    for (const { company, transition } of found) {
      const { type, subject, detectedMs, sites } = transition;
      switch (type) {
        case 'raised':
        case 'updated':
          await upsertFleetIncident(transaction, {
            ...{ company, subject, detectedMs, onsetMs: transition.onsetMs, text: textOf(transition) },
          });
          await closeExplainedSilences(transaction, company, sites);
          break;
        case 'cleared':
          await clearFleetIncident(transaction, company, subject, detectedMs);
          await reopenExplainedSilences(transaction, company, sites);
          break;
      }
    }
    for (const [company, fleet] of fleets) {
      await upsertFleetState(transaction, { company, tx, state: fleet.save() });
    }
    if (found.length > 0) await notifyIncidents(transaction);
  });
}

function textOf({ words, facts, figures, onsetMs, atMs }: FleetTransition) {
  return {
    priority: INCIDENT_KINDS['fleet-silence'].priority,
    confidence: 1,
    chattering: false,
    ...words,
    facts,
    evidence: {
      from: new Date(onsetMs).toISOString(),
      to: new Date(atMs).toISOString(),
      series: [],
      figures: [...figures],
    },
  };
}
