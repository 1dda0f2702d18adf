// The shards a worker holds, with their sites under watch. Loading a shard starts each site from its saved
// state; what was committed between that state and the shard's cursor is read again, which changes nothing
// that was already written (store/incident-writes.ts).

import type { StormMessage } from '@afterwatt/detect';
import type { Logger } from '@afterwatt/runtime';
import {
  type Database,
  listAlerts,
  listDetectorStates,
  listWatchedSites,
  type SavedState,
  SHARD_COUNT,
  type Shard,
  type WatchedSite,
} from '@afterwatt/store';
import { parseCap } from '@afterwatt/storm';
import { type Site, siteSchema } from '@afterwatt/wire';
import { parseSaved, type SiteWatch, watchSite } from './site-watch.ts';

/** What is in memory can't go on: drop it and load what is stored. */
export class StartOver extends Error {}

export interface HeldShard {
  readonly no: number;
  /** Read so far by this worker; begins at the oldest saved state of its sites. */
  tx: number;
  /** After loading: the stored cursor, up to which all was judged before; undefined once it is reached. */
  catchingUpTo: number | undefined;
  /** The newest pulse up to `tx`: the ingest's clock; undefined before its first window. */
  clockMs: number | undefined;
  readonly watches: Map<number, SiteWatch>;
}

export interface HeldShards {
  readonly shards: Map<number, HeldShard>;
  readonly deviceNames: Map<number, string>;
  /** Watches without a checkpoint. */
  readonly unsaved: ReadonlySet<SiteWatch>;
  /** Watches with one, those first whose last one is longest ago. */
  readonly saved: ReadonlySet<SiteWatch>;
  /** Checkpoints of these were written at `nowMs`, wall clock. */
  markSaved(watches: readonly SiteWatch[], nowMs: number): void;
  load(leased: readonly Shard[]): Promise<void>;
  drop(no: number): void;
  /** Starts, restarts with a changed registration, or drops the watch of one site. */
  put(changed: WatchedSite): void;
  /** Remembers an alert for sites that start later; undefined when it does not parse. */
  addAlert(document: string): StormMessage | undefined;
}

export function holdShards(db: Database, log: Logger): HeldShards {
  const shards = new Map<number, HeldShard>();
  const deviceNames = new Map<number, string>();
  const unsaved = new Set<SiteWatch>();
  const saved = new Set<SiteWatch>();
  /** As each site was registered when its watch was started, by number. */
  const registrations = new Map<number, string>();
  /** All alerts known so far, for sites that start later; in the order they were sent when that is asked for. */
  const alerts = new Map<string, StormMessage>();
  let inOrder: readonly StormMessage[] | undefined;
  /** Alerts were listed up to this transaction. */
  let alertsTx = 0;

  async function load(leased: readonly Shard[]): Promise<void> {
    if (leased.length === 0) return;
    const numbers = leased.map((shard) => shard.no);
    const newestTx = Math.max(...leased.map((shard) => shard.tx));
    if (newestTx > alertsTx) {
      for (const { document } of await listAlerts(db, { fromTx: alertsTx, toTx: newestTx }))
        remember(document);
      alertsTx = newestTx;
    }
    const states = new Map((await listDetectorStates(db, numbers)).map((state) => [state.siteNo, state]));
    const sites = await listWatchedSites(db, numbers);
    for (const { no, tx } of leased)
      shards.set(no, { no, tx, catchingUpTo: tx, clockMs: undefined, watches: new Map() });
    const savedTx = ({ siteNo }: WatchedSite) => states.get(siteNo)?.tx ?? 0;
    for (const watched of sites.sort((a, b) => savedTx(a) - savedTx(b)))
      start(watched, states.get(watched.siteNo));
    for (const { no } of leased) {
      const shard = shards.get(no);
      if (shard === undefined) continue;
      for (const watch of shard.watches.values()) shard.tx = Math.min(shard.tx, watch.tx);
    }
  }

  function start(watched: WatchedSite, state: SavedState | undefined, isChanged = false): void {
    const shard = shards.get(watched.siteNo % SHARD_COUNT);
    const site = parse(watched, log);
    if (shard === undefined || site === undefined) return;
    for (const device of watched.devices) deviceNames.set(device.no, device.id);
    registrations.set(watched.siteNo, registrationOf(watched));
    const watch = watchSite({
      siteNo: watched.siteNo,
      site,
      tx: state?.tx ?? watched.firstTx,
      saved: parseSaved(state?.state),
      alerts: alertsInOrder(),
      isChanged,
    });
    shard.watches.set(watched.siteNo, watch);
    (state === undefined ? unsaved : saved).add(watch);
  }

  function put(changed: WatchedSite): void {
    const shard = shards.get(changed.siteNo % SHARD_COUNT);
    if (shard === undefined) return;
    const before = shard.watches.get(changed.siteNo);
    // A worker's first window holds the registration of every site it has loaded already.
    const isKnown = registrations.get(changed.siteNo) === registrationOf(changed);
    if (before !== undefined && changed.deletedAt === null && isKnown) return;
    shard.watches.delete(changed.siteNo);
    if (before !== undefined) forget(before);
    if (changed.deletedAt !== null) return;
    start(
      changed,
      before === undefined ? undefined : { siteNo: changed.siteNo, tx: before.tx, state: before.save() },
      true,
    );
    const started = shard.watches.get(changed.siteNo);
    if (started !== undefined) started.tx = before?.tx ?? shard.tx;
    // What stood for a subject that is gone is closed once this round is through.
    shard.catchingUpTo ??= shard.tx;
  }

  function alertsInOrder(): readonly StormMessage[] {
    inOrder ??= [...alerts.values()].sort((a, b) => a.at - b.at);
    return inOrder;
  }

  function forget(watch: SiteWatch): void {
    unsaved.delete(watch);
    saved.delete(watch);
  }

  function remember(document: string): StormMessage | undefined {
    const parsed = parseCap(document);
    if (!parsed.ok) {
      log.error({ problems: parsed.problems }, 'a stored storm alert does not parse');
      return undefined;
    }
    const { alert } = parsed;
    const event: StormMessage = { kind: 'storm', at: alert.sentMs, alert };
    alerts.set(`${alert.sender},${alert.identifier},${alert.sentMs}`, event);
    inOrder = undefined;
    return event;
  }

  return {
    shards,
    deviceNames,
    unsaved,
    saved,
    markSaved(watches, nowMs) {
      for (const watch of watches) {
        watch.savedAtMs = nowMs;
        forget(watch);
        saved.add(watch);
      }
    },
    load,
    drop(no) {
      for (const watch of shards.get(no)?.watches.values() ?? []) forget(watch);
      shards.delete(no);
    },
    put,
    addAlert: remember,
  };
}

function registrationOf({ site, devices }: WatchedSite): string {
  return JSON.stringify([site, devices]);
}

function parse(watched: WatchedSite, log: Logger): Site | undefined {
  const parsed = siteSchema.safeParse(watched.site);
  if (parsed.success) return parsed.data;
  log.error({ siteNo: watched.siteNo, issues: parsed.error.issues }, 'a registered site does not parse');
  return undefined;
}
