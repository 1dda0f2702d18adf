// Publishes homes over MQTT as their devices would: first their past, as fast as it is acknowledged, then the
// present as it comes.

import type { Reading } from '@afterwatt/wire';
import { type ConnectionOptions, type Connections, openConnections } from './connections.ts';
import { type HomeToPublish, type RunningHome, startHome } from './running-home.ts';

const DAY_MS = 86_400_000;
/** Older than this, history is published at one reading a minute. */
const FULL_PERIODS_MS = 2 * DAY_MS;
/** The most that a home that lags behind the present sends at once. */
const CATCH_UP_PACK_SIZE = 60;

export interface HistoryOptions extends ConnectionOptions {
  readonly homes: readonly HomeToPublish[];
  readonly fromMs: number;
  readonly toMs: number;
  /** Readings in a pack; 60 unless told. */
  readonly packSize?: number;
  /** Until then devices report once a minute and promise so (SenML `ut`); two days before `toMs` unless told. */
  readonly coarseUntilMs?: number;
  /** What came before was published by an earlier run; `fromMs` unless told. */
  readonly sendFromMs?: number;
  readonly onProgress?: (progress: HistoryProgress) => void;
}

export interface HistoryProgress {
  readonly readings: number;
  /** How far the home has come that is furthest behind. */
  readonly reachedMs: number;
  /** 0 to 1. */
  readonly share: number;
}

export interface LiveOptions extends ConnectionOptions {
  /** As `publishHistory` left them. */
  readonly homes: readonly RunningHome[];
  readonly signal: AbortSignal;
}

/**
 * Publishes the past of homes up to `toMs`. All homes at once, each in the order of its time: no device of a home
 * runs ahead of another by more than a pack, and the next packs of a home wait for the acknowledgement of its
 * last, so at most one pack a device is under way. The signal ends it early, without an error.
 *
 * @returns the homes, to be continued by `publishLive`
 * @throws when the broker refuses a connection; a lost one is made anew
 */
export async function publishHistory(options: HistoryOptions): Promise<RunningHome[]> {
  const { fromMs, toMs, packSize = 60, signal, onProgress } = options;
  const sendFromMs = options.sendFromMs ?? fromMs;
  const coarseUntilMs = options.coarseUntilMs ?? toMs - FULL_PERIODS_MS;
  const connections = openConnections(options);
  const reached = options.homes.map(() => sendFromMs);
  let readings = 0;

  async function publish(input: HomeToPublish, index: number): Promise<RunningHome> {
    // Starting a home takes a moment: the others' packets go out in between.
    await new Promise((resolve) => setImmediate(resolve));
    const home = startHome(input, { fromMs, coarseUntilMs, sendFromMs });
    await unlessStopped(signal, async () => {
      while (home.next().at < toMs && signal?.aborted !== true) {
        const sent = await sendPacks(home, toMs, packSize, connections);
        readings += sent;
        reached[index] = Math.min(toMs, home.next().at);
        const reachedMs = Math.min(...reached);
        onProgress?.({ readings, reachedMs, share: (reachedMs - sendFromMs) / (toMs - sendFromMs) });
      }
    });
    return home;
  }

  try {
    return await Promise.all(options.homes.map(publish));
  } finally {
    await connections.close();
  }
}

/**
 * Publishes homes in real time, after catching up with the present, until the signal comes.
 * @throws when the broker refuses a connection; a lost one is made anew
 */
export async function publishLive(options: LiveOptions): Promise<void> {
  const { homes, signal } = options;
  const connections = openConnections(options);

  async function publish(home: RunningHome): Promise<void> {
    while (!signal.aborted) {
      const nowMs = Date.now();
      const nextMs = home.next().at;
      if (nextMs > nowMs) await waitFor(nextMs - nowMs, signal);
      else await sendPacks(home, nowMs + 1, CATCH_UP_PACK_SIZE, connections);
    }
  }

  try {
    await Promise.all(homes.map((home) => unlessStopped(signal, () => publish(home))));
  } finally {
    await connections.close();
  }
}

/**
 * Sends the next packs of a home, one a device: until one of them is full, a state comes between, or `toMs` is
 * reached. Returns how many readings were in them.
 */
async function sendPacks(
  home: RunningHome,
  toMs: number,
  packSize: number,
  connections: Connections,
): Promise<number> {
  const site = home.site.id;
  const packs = new Map<string, Reading[]>();
  let readings = 0;
  let longest = 0;
  while (home.next().at < toMs && longest < packSize) {
    const packet = home.next();
    if (packet.kind === 'state') {
      if (readings > 0) break;
      home.take();
      await connections.sendState(site, packet.device, packet.state);
      continue;
    }
    home.take();
    const pack = packs.get(packet.device) ?? [];
    pack.push(packet.reading);
    packs.set(packet.device, pack);
    readings += 1;
    longest = Math.max(longest, pack.length);
  }
  await Promise.all([...packs].map(([device, pack]) => connections.sendReadings(site, device, pack)));
  return readings;
}

/** What fails after the signal failed because of it. */
async function unlessStopped(signal: AbortSignal | undefined, work: () => Promise<void>): Promise<void> {
  try {
    await work();
  } catch (error) {
    if (signal?.aborted !== true) throw error;
  }
}

function waitFor(ms: number, signal: AbortSignal): Promise<void> {
  return new Promise((resolve) => {
    const done = (): void => {
      clearTimeout(timer);
      signal.removeEventListener('abort', done);
      resolve();
    };
    const timer = setTimeout(done, ms);
    signal.addEventListener('abort', done);
  });
}
