// One window of committed transactions, read and judged: data in at the top, what was found out at the bottom.

import { setImmediate as turn } from 'node:timers/promises';
import type { SiteEvent } from '@afterwatt/detect';
import {
  type Connection,
  listAlerts,
  listChangedSites,
  listMended,
  listPulses,
  listReadings,
  listStates,
  SHARD_COUNT,
  type Window,
} from '@afterwatt/store';
import { INCIDENT_KINDS, type IncidentKind } from '@afterwatt/wire';
import type { HeldShard, HeldShards } from './held-shards.ts';
import type { Arrival, Found, SiteWatch } from './site-watch.ts';
import type { FoundAtSite } from './write-found.ts';

export interface Judged {
  readonly found: readonly FoundAtSite[];
  readonly readings: number;
  /** Nothing in it concerns these shards. */
  readonly isEmpty: boolean;
  /** The pulses in the window, in commit order. */
  readonly pulsesMs: readonly number[];
  /** The newest pulse up to its end: the ingest's clock. */
  readonly clockMs: number;
}

/** Judging a window may take many seconds where there are many sites: leases are renewed in between. */
const TURN_MS = 200;

/** Everything one transaction brought, by site number. */
type ByTransaction = Map<number, Map<number, Arrival>>;

/**
 * Reads a window for some shards and steps their sites through it, transaction by transaction.
 * @param clockMs the newest pulse before this window
 */
export async function judgeWindow(
  { db, pool }: Connection,
  held: HeldShards,
  shards: readonly HeldShard[],
  window: Window,
  clockMs: number,
): Promise<Judged> {
  const numbers = shards.map((shard) => shard.no);
  const [changed, alerts, pulses, states, mended] = await Promise.all([
    listChangedSites(db, window, numbers),
    listAlerts(db, window),
    listPulses(pool, window),
    listStates(pool, window, numbers),
    listMended(pool, window, numbers),
  ]);
  // A changed registration takes effect at the start of its window.
  for (const site of changed) held.put(site);
  const readings = await listReadings(pool, window, numbers, (no) => held.deviceNames.get(no));

  const byTx: ByTransaction = new Map();
  for (const { tx, siteNo, reading } of readings) arrivalOf(byTx, tx, siteNo).readings.push(reading);
  for (const state of states) {
    const { tx, siteNo, device, atMs: at, online, firmware, selfTestPassed } = state;
    const { selfTestAtMs: selfTestAt, clockAtMs: clockAt } = state;
    const event: SiteEvent = {
      kind: 'state',
      device,
      at,
      online,
      firmware,
      selfTestAt,
      selfTestPassed,
      clockAt,
    };
    arrivalOf(byTx, tx, siteNo).others.push(event);
  }
  for (const { tx, siteNo, kind, subject, atMs } of mended) {
    if (!isKind(kind)) continue;
    arrivalOf(byTx, tx, siteNo).others.push({ kind: 'mended', at: atMs, incidentKind: kind, subject });
  }
  for (const { tx, document } of alerts) {
    const event = held.addAlert(document);
    if (event === undefined) continue;
    for (const watch of watchesOf(shards)) arrivalOf(byTx, tx, watch.siteNo).others.push(event);
  }
  const pulseAt = new Map(pulses.map((pulse) => [pulse.tx, pulse.atMs]));

  const found: FoundAtSite[] = [];
  const take = (watch: SiteWatch, some: readonly Found[]) => {
    for (const one of some) found.push({ ...one, siteNo: watch.siteNo, site: watch.site, clockMs });
  };
  const transactions = [...new Set([...byTx.keys(), ...pulseAt.keys()])].sort((a, b) => a - b);
  let turnedMs = performance.now();
  for (const tx of transactions) {
    if (performance.now() - turnedMs > TURN_MS) {
      await turn();
      turnedMs = performance.now();
    }
    const pulseMs = pulseAt.get(tx);
    if (pulseMs !== undefined) {
      for (const watch of watchesOf(shards)) if (watch.tx < tx) watch.wake(pulseMs);
    }
    for (const [siteNo, arrival] of byTx.get(tx) ?? []) {
      const watch = held.shards.get(siteNo % SHARD_COUNT)?.watches.get(siteNo);
      if (watch !== undefined && watch.tx < tx) take(watch, watch.accept(arrival));
    }
    if (pulseMs === undefined) continue;
    clockMs = Math.max(clockMs, pulseMs);
    for (const watch of watchesOf(shards)) if (watch.tx < tx) take(watch, watch.pulse(pulseMs));
  }
  for (const watch of watchesOf(shards)) watch.tx = Math.max(watch.tx, window.toTx);
  const isEmpty = transactions.length === 0 && changed.length === 0;
  return { found, readings: readings.length, isEmpty, pulsesMs: pulses.map(({ atMs }) => atMs), clockMs };
}

function arrivalOf(byTx: ByTransaction, tx: number, siteNo: number): Arrival {
  let bySite = byTx.get(tx);
  if (bySite === undefined) {
    bySite = new Map();
    byTx.set(tx, bySite);
  }
  let arrival = bySite.get(siteNo);
  if (arrival === undefined) {
    arrival = { readings: [], others: [] };
    bySite.set(siteNo, arrival);
  }
  return arrival;
}

function* watchesOf(shards: readonly HeldShard[]): Generator<SiteWatch> {
  for (const shard of shards) yield* shard.watches.values();
}

function isKind(kind: string): kind is IncidentKind {
  return kind in INCIDENT_KINDS;
}
