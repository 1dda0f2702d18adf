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
import { judgeWindow } from './window.ts';
import { writeFound } from './write-found.ts';

/** A lease is renewed when a third of it is gone. */
const RENEWALS_A_LEASE = 3;
/** Checkpoints written with one round, so that thousands of sites that are due together don't hold the rest up. */
const SAVES_A_ROUND = 200;

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
  const clock: Clock = { ms: undefined };
  let leaseDueMs = 0;
  // Judging a window of many sites takes longer than a lease. One that was not renewed shows when the cursor is moved.
  const renewing = setInterval(() => {
    renewShards(connection.db, name, config.leaseMs).catch(() => {});
  }, config.leaseMs / RENEWALS_A_LEASE);
  try {
    while (!signal.aborted) {
      if (Date.now() >= leaseDueMs) {
        await keepLeases(deps, held);
        leaseDueMs = Date.now() + config.leaseMs / RENEWALS_A_LEASE;
      }
      const moved = await round(deps, held, clock);
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
 * thousands of sites takes longer than a lease lasts, and each further one renews those held.
 */
async function keepLeases({ config, connection, log, name }: WorkerDeps, held: HeldShards): Promise<void> {
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
  for (const shard of again) shard.tx = oldest;
}

/** The newest pulse judged: the ingest's clock; undefined before the first window. */
interface Clock {
  ms: number | undefined;
}

/** @returns false when there is nothing to go on with at once */
async function round(deps: WorkerDeps, held: HeldShards, clock: Clock): Promise<boolean> {
  const { config, connection, metrics, name } = deps;
  const shards = furthestBehind(held);
  const first = shards[0];
  if (first === undefined) return false;
  await settle(deps, shards);
  const window = await findNextWindow(connection.pool, first.tx, config.windowReadings);
  if (window === undefined) return false;
  // Shards that are further on join when this one has reached them.
  const next = Math.min(...[...held.shards.values()].map(({ tx }) => (tx > first.tx ? tx : window.toTx)));
  // Up to what was judged before, and no further: there it is settled what stands.
  const again = shards.flatMap(({ catchingUpTo }) => catchingUpTo ?? []);
  const upTo = { fromTx: window.fromTx, toTx: Math.min(window.toTx, next, ...again) };

  clock.ms ??= (await findClock(connection.pool, upTo.fromTx)) ?? 0;
  const judged = await judgeWindow(connection, held, shards, upTo, clock.ms);
  clock.ms = Math.max(clock.ms, judged.pulseMs ?? 0);
  if (judged.isEmpty && shards.every((shard) => shard.catchingUpTo === undefined)) {
    // Not written: the write would be the next window's only transaction, and so on without an end.
    for (const shard of shards) shard.tx = upTo.toTx;
    return upTo.toTx < window.toTx;
  }
  const due = dueWatches(shards, config.checkpointMs);
  const states = savedStates(due);
  await connection.db.transaction().execute(async (tx) => {
    await writeFound(tx, judged.found);
    await upsertDetectorStates(tx, states);
    const numbers = shards.map((shard) => shard.no);
    if (!(await moveShards(tx, name, numbers, upTo.toTx))) throw new StartOver('lost a lease while writing');
  });
  const now = Date.now();
  for (const watch of due) watch.savedAtMs = now;
  for (const shard of shards) shard.tx = upTo.toTx;
  metrics.readings.inc(judged.readings);
  metrics.transitions.inc(judged.found.length);
  if (judged.pulseMs !== undefined) {
    const lagS = Math.max(0, now - judged.pulseMs) / 1000;
    metrics.lag.set(lagS);
    metrics.lags.observe(lagS);
  }
  return true;
}

/** The shards with the oldest cursor; usually all of them. */
function furthestBehind(held: HeldShards): HeldShard[] {
  const shards = [...held.shards.values()];
  const oldest = Math.min(...shards.map((shard) => shard.tx));
  return shards.filter((shard) => shard.tx === oldest);
}

/** Some sites whose last checkpoint is long ago; none while a shard reads again what it had judged before. */
function dueWatches(shards: readonly HeldShard[], everyMs: number): SiteWatch[] {
  const now = Date.now();
  const due: SiteWatch[] = [];
  for (const shard of shards) {
    if (shard.catchingUpTo !== undefined) continue;
    for (const watch of shard.watches.values()) {
      if (now < watch.savedAtMs + everyMs) continue;
      due.push(watch);
      if (due.length === SAVES_A_ROUND) return due;
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
  await connection.db.transaction().execute((tx) => upsertDetectorStates(tx, savedStates(watches)));
}
