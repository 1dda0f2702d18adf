// Answers replays behind the live work: one at a time, an hour of a site's readings at a step, so that the live
// readings never wait for long.

import type { StormMessage } from '@afterwatt/detect';
import { backoffMs, isTransient, type Logger, pause } from '@afterwatt/runtime';
import {
  type Connection,
  failReplay,
  finishReplay,
  listAlerts,
  listSiteReadings,
  listWatchedSitesByNumber,
  markReplayProgress,
  type StoredReplay,
  takeReplay,
  type WatchedSite,
} from '@afterwatt/store';
import { parseCap } from '@afterwatt/storm';
import { siteSchema } from '@afterwatt/wire';
import { alertsOf } from './site-watch.ts';
import { compareThresholds, type ReplayResult } from './threshold-comparison.ts';

const LOOK_EVERY_MS = 2_000;
const HOUR_MS = 3_600_000;
/** Progress is told this often, in hours of readings judged. */
const TELL_EVERY = 12;

export interface ReplayWorkerDeps {
  readonly connection: Connection;
  readonly log: Logger;
  readonly signal: AbortSignal;
}

/** Runs until the signal is aborted; a replay that it leaves half-way is begun again by another worker. */
export async function answerReplays({ connection, log, signal }: ReplayWorkerDeps): Promise<void> {
  for (let failures = 0; !signal.aborted; ) {
    try {
      const replay = await takeReplay(connection.db);
      if (replay === undefined) await pause(LOOK_EVERY_MS, signal);
      else await answer(connection, replay, signal);
      failures = 0;
    } catch (error) {
      if (!isTransient(error)) throw error;
      failures++;
      log.warn({ err: error, failures }, 'a replay has to wait');
      await pause(backoffMs(failures), signal);
    }
  }
}

async function answer(connection: Connection, replay: StoredReplay, signal: AbortSignal): Promise<void> {
  const { db } = connection;
  const sites = await listWatchedSitesByNumber(db, replay.sites);
  const messages: StormMessage[] = [];
  for (const { document } of await listAlerts(db, { fromTx: 0, toTx: Number.MAX_SAFE_INTEGER })) {
    const parsed = parseCap(document);
    if (parsed.ok) messages.push({ kind: 'storm', at: parsed.alert.sentMs, alert: parsed.alert });
  }
  const result: ReplayResult = { comes: [], goes: [], stays: [] };
  for (const [index, watched] of sites.entries()) {
    const tell = (share: number) => markReplayProgress(db, replay.id, (index + share) / sites.length);
    const found = await replaySite(connection, watched, replay, messages, tell, signal);
    if (found === 'stopped') return;
    if (found === 'unreadable') {
      await failReplay(db, replay.id, `The registration of site number ${watched.siteNo} does not parse.`);
      return;
    }
    result.comes.push(...found.comes);
    result.goes.push(...found.goes);
    result.stays.push(...found.stays);
  }
  await finishReplay(db, replay.id, result);
}

async function replaySite(
  { pool }: Connection,
  watched: WatchedSite,
  replay: StoredReplay,
  messages: readonly StormMessage[],
  tell: (share: number) => Promise<void>,
  signal: AbortSignal,
): Promise<ReplayResult | 'stopped' | 'unreadable'> {
  const parsed = siteSchema.safeParse(watched.site);
  if (!parsed.success) return 'unreadable';
  const comparison = compareThresholds(parsed.data, replay.thresholds);
  for (const alert of alertsOf(parsed.data, messages)) comparison.step(alert);
  const fromMs = replay.from_at.getTime();
  const toMs = replay.to_at.getTime();
  let hours = 0;
  for (let at = fromMs; at < toMs; at += HOUR_MS) {
    if (signal.aborted) return 'stopped';
    const readings = await listSiteReadings(pool, watched, at, Math.min(at + HOUR_MS, toMs));
    for (const reading of readings) comparison.step(reading);
    if (hours++ % TELL_EVERY === 0) await tell((at - fromMs) / (toMs - fromMs));
  }
  return comparison.result();
}
