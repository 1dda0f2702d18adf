// The worker's loop: keep leases, read the next window, judge it, and write what was found together with the
// shards' new cursors. When the write fails for a passing reason, everything in memory is dropped and loaded
// again from what is stored: the readings are still there, and saying an incident twice changes nothing.

import { setTimeout as sleep } from 'node:timers/promises';
import { backoffMs, isTransient, type Logger, pause } from '@afterwatt/runtime';
import {
  type Connection,
  clearIncident,
  findClock,
  findNextWindow,
  leaseShards,
  listStandingIncidents,
  listWorkers,
  moveShards,
  releaseShards,
  renewShards,
  type SavedState,
  SHARD_COUNT,
  upsertDetectorStates,
} from '@afterwatt/store';
import type { RulesConfig } from './config.ts';
import { type HeldShard, type HeldShards, holdShards, StartOver } from './held-shards.ts';
import type { RulesMetrics } from './metrics.ts';
import type { SiteWatch } from './site-watch.ts';
import { type Judged, judgeWindow } from './window.ts';
import { writeFound } from './write-found.ts';

/** A lease is renewed when a third of it is gone. */
const RENEWALS_A_LEASE = 3;
/** Checkpoints written a second at most: thousands of sites wait longer for theirs, and keep being judged in time. */
const SAVES_A_SECOND = 40;
/** At a clean stop: thousands in one statement would be one text of many megabytes. */
const SAVES_A_STATEMENT = 500;
/** After a longer wait no more checkpoints are owed than for this. */
const SAVES_OWED_MS = 5_000;

export interface WorkerDeps {
  readonly connection: Connection;
  readonly config: RulesConfig;
  readonly name: string;
  readonly metrics: RulesMetrics;
  readonly log: Logger;
  readonly signal: AbortSignal;
}

/** Runs until the signal is aborted; gives its shards back at the end. */
export async function runWorker(deps: WorkerDeps): Promise<void> {
  const { connection, log, name, signal } = deps;
  let failures = 0;
  while (!signal.aborted) {
    const held = holdShards(connection.db, log);
    try {
      await work(deps, held, () => {
        failures = 0;
      });
    } catch (error) {
      if (!(error instanceof StartOver) && !isTransient(error)) throw error;
      failures++;
      log.warn({ err: error, failures }, 'starting over from what is stored');
      await pause(backoffMs(failures), signal);
    }
  }
  await releaseShards(connection.db, name, [...Array(SHARD_COUNT).keys()]).catch((error: unknown) => {
    if (!isTransient(error)) throw error;
  });
}

async function work(deps: WorkerDeps, held: HeldShards, onProgress: () => void): Promise<void> {
  const { config, connection, name, signal } = deps;
  const saving: Saving = { paidUpToMs: Date.now() };
  let leaseDueMs = 0;
  // Judging a window of many sites takes longer than a lease. One that was not renewed shows when the cursor is moved.
  const renewing = setInterval(() => {
    renewShards(connection.db, name, config.leaseMs).catch(() => {});
  }, config.leaseMs / RENEWALS_A_LEASE);
  try {
    while (!signal.aborted) {
      if (Date.now() >= leaseDueMs) {
        await keepLeases(deps, held, saving);
        leaseDueMs = Date.now() + config.leaseMs / RENEWALS_A_LEASE;
      }
      const { behind, ahead } = groupsOf(held);
      let moved = await round(deps, held, behind, saving);
      // Those that are up to the present stay so while others catch up.
      if (isBehind(behind, ahead)) moved = (await round(deps, held, ahead, saving)) || moved;
      onProgress();
      if (!moved) await sleep(config.pollMs, undefined, { signal }).catch(() => {});
    }
  } finally {
    clearInterval(renewing);
  }
  await checkpoint(deps, held);
}

/**
 * Takes a fair share of the shards, and gives back what is more than that. Shards are taken one by one: loading
 * thousands of sites takes longer than a lease lasts, and each further one renews those held. In between, the sites
 * that are up to the present are judged.
 */
async function keepLeases(deps: WorkerDeps, held: HeldShards, saving: Saving): Promise<void> {
  const { config, connection, log, name } = deps;
  const workers = new Set([...(await listWorkers(connection.db, 'rules')), name]).size;
  const wanted = Math.ceil(SHARD_COUNT / workers);
  const before = held.shards.size;
  for (;;) {
    const leased = await leaseShards(
      connection.db,
      name,
      Math.min(wanted, held.shards.size + 1),
      config.leaseMs,
    );
    const have = new Set(leased.map((shard) => shard.no));
    for (const no of held.shards.keys())
      if (!have.has(no)) throw new StartOver(`lost the lease of shard ${no}`);
    const fresh = leased.filter((shard) => !held.shards.has(shard.no));
    if (fresh.length === 0) break;
    await held.load(fresh);
    await round(deps, held, upToPresent(held), saving);
  }
  const taken = held.shards.size - before;
  if (taken > 0) {
    log.info({ taken, held: held.shards.size, workers }, 'took shards');
    readAgainTogether(held);
  }
  const surplus = [...held.shards.keys()].slice(wanted);
  if (surplus.length === 0) return;
  await releaseShards(connection.db, name, surplus);
  for (const no of surplus) held.drop(no);
  log.info({ released: surplus.length, held: held.shards.size }, 'gave shards to another worker');
}

/**
 * Shards that read again do so from where the furthest behind begins: in windows for all of them instead of
 * windows for each. What a site has judged already it passes over.
 */
function readAgainTogether(held: HeldShards): void {
  const again = [...held.shards.values()].filter((shard) => shard.catchingUpTo !== undefined);
  const oldest = Math.min(...again.map((shard) => shard.tx));
  for (const shard of again) {
    shard.tx = oldest;
    shard.clockMs = undefined;
  }
}

/** Up to when all checkpoints that were owed are written, wall clock. */
interface Saving {
  paidUpToMs: number;
}

/** The shards with the oldest cursor, usually all of them, and those with the newest where that is another. */
function groupsOf(held: HeldShards): { readonly behind: HeldShard[]; readonly ahead: HeldShard[] } {
  const shards = [...held.shards.values()];
  const oldest = Math.min(...shards.map((shard) => shard.tx));
  const newest = Math.max(...shards.map((shard) => shard.tx));
  return {
    behind: shards.filter((shard) => shard.tx === oldest),
    ahead: newest === oldest ? [] : shards.filter((shard) => shard.tx === newest),
  };
}

/** False once some have reached others: they then go on together. */
function isBehind([one]: readonly HeldShard[], [other]: readonly HeldShard[]): boolean {
  return one !== undefined && other !== undefined && one.tx < other.tx;
}

/** The shards that have judged the most, of those that read nothing again. */
function upToPresent(held: HeldShards): HeldShard[] {
  const ready = [...held.shards.values()].filter((shard) => shard.catchingUpTo === undefined);
  const newest = Math.max(...ready.map((shard) => shard.tx));
  return ready.filter((shard) => shard.tx === newest);
}

/** @returns false when there is nothing to go on with at once */
async function round(
  deps: WorkerDeps,
  held: HeldShards,
  shards: readonly HeldShard[],
  saving: Saving,
): Promise<boolean> {
  const { config, connection, metrics } = deps;
  const first = shards[0];
  if (first === undefined) return false;
  await settle(deps, shards);
  const window = await findNextWindow(connection.pool, first.tx, config.windowReadings);
  if (window === undefined) return false;
  // Shards that are further on join when these have reached them.
  const next = Math.min(...[...held.shards.values()].map(({ tx }) => (tx > first.tx ? tx : window.toTx)));
  // Up to what was judged before, and no further: there it is settled what stands.
  const again = shards.flatMap(({ catchingUpTo }) => catchingUpTo ?? []);
  const upTo = { fromTx: window.fromTx, toTx: Math.min(window.toTx, next, ...again) };

  const isLast = [...held.shards.values()].every(({ tx }) => tx >= first.tx);
  const clockMs = first.clockMs ?? (await findClock(connection.pool, upTo.fromTx)) ?? 0;
  const judged = await judgeWindow(connection, held, shards, upTo, clockMs);
  const isEmpty = judged.isEmpty && again.length === 0;
  // Nothing found and nothing read: not written, or that would be the next window's only transaction, without an end.
  if (!isEmpty) await write(deps, held, shards, { judged, toTx: upTo.toTx, saving });
  for (const shard of shards) {
    shard.tx = upTo.toTx;
    shard.clockMs = judged.clockMs;
  }
  if (isEmpty) return upTo.toTx < window.toTx;
  metrics.readings.inc(judged.readings);
  metrics.transitions.inc(judged.found.length);
  const now = Date.now();
  const newestMs = judged.pulsesMs.at(-1);
  if (newestMs !== undefined && isLast) metrics.lag.set(Math.max(0, now - newestMs) / 1000);
  // What is read again was judged in its time.
  if (again.length === 0)
    for (const pulseMs of judged.pulsesMs) metrics.lags.observe(Math.max(0, now - pulseMs) / 1000);
  return true;
}

/** What was found, some checkpoints, and the cursors, in one transaction. */
async function write(
  { config, connection, name }: WorkerDeps,
  held: HeldShards,
  shards: readonly HeldShard[],
  { judged, toTx, saving }: { readonly judged: Judged; readonly toTx: number; readonly saving: Saving },
): Promise<void> {
  const due = dueWatches(held, shards, config.checkpointMs, saving);
  const states = savedStates(due);
  await connection.db.transaction().execute(async (tx) => {
    await writeFound(tx, judged.found);
    await upsertDetectorStates(tx, states);
    const numbers = shards.map((shard) => shard.no);
    if (!(await moveShards(tx, name, numbers, toTx))) throw new StartOver('lost a lease while writing');
  });
  held.markSaved(due, Date.now());
}

/**
 * Sites without a checkpoint, then those whose last one is longest ago, as many as are owed since the last ones were
 * written; none while a shard reads again what it had judged before.
 */
function dueWatches(
  held: HeldShards,
  shards: readonly HeldShard[],
  everyMs: number,
  saving: Saving,
): SiteWatch[] {
  const now = Date.now();
  const sinceMs = Math.max(saving.paidUpToMs, now - SAVES_OWED_MS);
  const owed = Math.floor(((now - sinceMs) * SAVES_A_SECOND) / 1000);
  if (owed === 0) return [];
  saving.paidUpToMs = sinceMs + (owed * 1000) / SAVES_A_SECOND;
  const numbers = new Set(
    shards.filter(({ catchingUpTo }) => catchingUpTo === undefined).map(({ no }) => no),
  );
  const due: SiteWatch[] = [];
  for (const watches of [held.unsaved, held.saved]) {
    for (const watch of watches) {
      if (due.length === owed || now < watch.savedAtMs + everyMs) break;
      if (numbers.has(watch.siteNo % SHARD_COUNT)) due.push(watch);
    }
  }
  return due;
}

function savedStates(watches: readonly SiteWatch[]): SavedState[] {
  const states: SavedState[] = [];
  for (const watch of watches) {
    const state = watch.save();
    if (state !== undefined) states.push({ siteNo: watch.siteNo, tx: watch.tx, state });
  }
  return states;
}

/**
 * After a restart, once a shard has reached its stored cursor: the detectors take on what stands in the database
 * and not with them (their saved state was lost, or of an older shape). What no detector can have found, because
 * the registration changed, is closed.
 */
async function settle({ connection, log }: WorkerDeps, held: readonly HeldShard[]): Promise<void> {
  const shards = held.filter(({ catchingUpTo, tx }) => catchingUpTo !== undefined && tx >= catchingUpTo);
  if (shards.length === 0) return;
  const watches = new Map(shards.flatMap((shard) => [...shard.watches]));
  const stored = await listStandingIncidents(connection.db, [...watches.keys()]);
  await connection.db.transaction().execute(async (tx) => {
    for (const incident of stored) {
      const watch = watches.get(incident.siteNo);
      const isOwn = watch
        ?.standing()
        .some(
          ({ kind, subject, detectedMs }) =>
            kind === incident.kind && subject === incident.subject && detectedMs === incident.detectedMs,
        );
      if (isOwn === true || watch?.adopt(incident) === true) continue;
      log.warn({ kind: incident.kind, siteNo: incident.siteNo }, 'closing an incident whose subject is gone');
      await clearIncident(tx, incident, incident.detectedMs, 'no longer registered', null);
    }
  });
  for (const shard of shards) shard.catchingUpTo = undefined;
}

/** At a clean stop every state is saved, so that the next start reads nothing again. */
async function checkpoint({ connection }: WorkerDeps, held: HeldShards): Promise<void> {
  const watches = [...held.shards.values()].flatMap((shard) => [...shard.watches.values()]);
  await connection.db.transaction().execute(async (tx) => {
    for (let from = 0; from < watches.length; from += SAVES_A_STATEMENT)
      await upsertDetectorStates(tx, savedStates(watches.slice(from, from + SAVES_A_STATEMENT)));
  });
}
