// Row `live`: thousands of sites at the contract's periods through ingest, Postgres and rules, all on this machine.
// How long after its commit a reading is judged, and what a killed rules worker costs. Each phase is told as it ends,
// takes no longer than WAIT_MS, and is followed by the next one whatever came of it; interrupted (Ctrl-C), it tells
// what it has.

import { type ChildProcess, fork } from 'node:child_process';
import { join } from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { drawSite, FAULTS, type FaultName, type FaultSpec } from '@afterwatt/simulate';
import { freePort } from '@afterwatt/store';
import { z } from 'zod';
import { type OwnPostgres, startOwnPostgres } from '../support/own-postgres.ts';
import { makeCredentials } from '../support/register.ts';
import { type ServiceProcess, serviceProcess } from '../support/service-process.ts';
import type { LiveCount, LiveHome, LiveLoad } from './live-publisher.ts';
import type { Line } from './rows.ts';

const SITES = Number(process.env['BENCH_LIVE_SITES'] ?? 10_000);
const STEADY_S = Number(process.env['BENCH_LIVE_SECONDS'] ?? 120);
/** Different homes; the sites share them. */
const HOMES = 100;
const CONNECTIONS = 8;
/** Caught up again: a pulse comes every second, and is judged within the next. */
const CAUGHT_UP_S = 2;
/** Faults that show within a quarter of an hour, one each in the first homes. */
const SHOWN_SOON: readonly FaultName[] = ['reserve-setting', 'device-clock-skew', 'voltage-out-of-range'];
/** The longest that anything is waited for: the whole is then over in 25 minutes. */
const WAIT_MS = 240_000;
const STOP_MS = 20_000;

/** @throws Error when a process does not start */
export async function live(): Promise<Line[]> {
  const interrupted = new AbortController();
  const interrupt = () => interrupted.abort(new Error('interrupted'));
  // Whoever runs this may pass a Ctrl-C on as well, so that it comes twice.
  process.on('SIGINT', interrupt).on('SIGTERM', interrupt);
  const { signal } = interrupted;
  const postgres = await startOwnPostgres();
  const children: { stop(): Promise<unknown>; kill(): Promise<void> }[] = [];
  const lines: Line[] = [];
  try {
    const fromMs = Date.now() + 60_000;
    const homes = await registerHomes(postgres, fromMs);
    const credentials = await makeCredentials(postgres.owner);
    const port = await freePort();
    const environment = { DATABASE_URL: postgres.url, MQTT_PORT: `${port}`, MQTT_HOST: '127.0.0.1' };
    const service = (name: string): ServiceProcess => {
      const made = serviceProcess(name, environment);
      children.push(made);
      return made;
    };
    const startInTime = (made: ServiceProcess) => inTime(`start of ${made.name}`, made.start(), signal);
    const ingest = service('ingest');
    const rules = service('rules');
    const workers = [rules];
    await startInTime(ingest);
    await startInTime(rules);
    const load = { port, ...credentials, connections: CONNECTIONS, fromMs, homes };
    const publisher = startPublisher(load);
    children.push(publisher);
    await inTime('start of the publisher', publisher.isReady, signal);
    const lagsOf = lagReader(postgres);

    /** @param work resolves with false when what it waited for did not come */
    const under = async (phase: string, work: () => Promise<boolean>): Promise<void> => {
      if (signal.aborted) return;
      const before = await lagsOf();
      const acknowledged = publisher.count().acknowledged;
      const startedMs = performance.now();
      console.error(`  ${phase} …`);
      const came = await work();
      const seconds = (performance.now() - startedMs) / 1000;
      const lags = await lagsOf();
      const counted = (bucket: string) => (lags.get(bucket) ?? 0) - (before.get(bucket) ?? 0);
      const share = (bucket: string) =>
        counted('+Inf') === 0 ? '-' : Number((counted(bucket) / counted('+Inf')).toFixed(3));
      const line = {
        phase: `${phase}${came ? '' : signal.aborted ? ' (interrupted)' : ' (not reached)'}`,
        sites: SITES,
        seconds: Math.round(seconds),
        messagesPerSecond: Math.round((publisher.count().acknowledged - acknowledged) / seconds),
        publisherBehindMs: Math.round(publisher.count().behindMs),
        pulses: counted('+Inf'),
        within1s: share('1'),
        within2_5s: share('2.5'),
        rulesMiB: Math.round(Math.max(...workers.map((worker) => worker.residentMiB()))),
        ...countsOf(await foundOf(postgres, homes)),
      };
      lines.push(line);
      // What follows may take long, or fail.
      console.error(`    ${JSON.stringify(line)}`);
    };
    const passes = async (ms: number) => {
      await sleep(ms, undefined, { signal }).catch(() => {});
      return !signal.aborted;
    };

    await passes(Math.max(0, fromMs - Date.now()));
    await under('the first minute: every site begins', () => passes(60_000));
    await under('steady', () => passes(STEADY_S * 1000));
    await under('rules killed and started again, until caught up', async () => {
      await rules.kill();
      await startInTime(rules);
      return until(() => isCaughtUp(postgres), signal);
    });
    const second = service('rules');
    workers.push(second);
    await under('a second worker takes its half, until caught up', async () => {
      await startInTime(second);
      return until(async () => (await holders(postgres)) === 2 && isCaughtUp(postgres), signal);
    });
    await under('the first one is killed, until caught up', async () => {
      await rules.kill();
      return until(async () => (await holders(postgres)) === 1 && isCaughtUp(postgres), signal);
    });
    await under('until every fault is told', () =>
      until(async () => {
        const { faulty, raised } = countsOf(await foundOf(postgres, homes));
        return raised >= faulty;
      }, signal),
    );
    return [...lines, ...(await foundOf(postgres, homes))];
  } catch (error) {
    // What was found so far is told all the same.
    if (lines.length === 0) throw error;
    return [...lines, { phase: `ended: ${error instanceof Error ? error.message : String(error)}` }];
  } finally {
    process.off('SIGINT', interrupt).off('SIGTERM', interrupt);
    for (const child of children.reverse()) {
      const isStopped = await Promise.race([child.stop().then(() => true), sleep(STOP_MS, false)]);
      if (!isStopped) await child.kill();
    }
    await postgres.stop();
  }
}

/** @throws Error when it takes longer than WAIT_MS, or is interrupted */
async function inTime<T>(what: string, work: Promise<T>, signal: AbortSignal): Promise<T> {
  const given = new AbortController();
  const either = AbortSignal.any([signal, given.signal]);
  const late = sleep(WAIT_MS, undefined, { signal: either }).then(
    () => Promise.reject(new Error(`no ${what} within ${WAIT_MS / 1000} s`)),
    () => Promise.reject(new Error(`no ${what}: interrupted`)),
  );
  try {
    return await Promise.race([work, late]);
  } finally {
    late.catch(() => {});
    given.abort();
  }
}

async function registerHomes({ owner: { pool } }: OwnPostgres, fromMs: number): Promise<LiveHome[]> {
  const homes = Array.from({ length: HOMES }, (_, index): LiveHome => {
    const site = drawSite(`live-${index}`);
    const name = SHOWN_SOON[index];
    const [subject] = name === undefined ? [] : FAULTS[name].subjects(site);
    const faults: FaultSpec[] =
      name === undefined || subject === undefined
        ? []
        : [{ name, subject, onsetMs: fromMs, endMs: null, severity: 1 }];
    const siteIds = Array.from(
      { length: Math.ceil((SITES - index) / HOMES) },
      (_, copy) => `live-${index}-${copy}`,
    );
    return { site, seed: `live-${index}`, faults, siteIds };
  });
  for (const { site, siteIds } of homes) {
    await pool.query(
      `with added as (
         insert into site (id, company, name, region, config)
         select id, 'default', id, $2, jsonb_set($3::jsonb, '{id}', to_jsonb(id)) from unnest($1::text[]) id returning no)
       insert into device (site_no, id, kind)
       select no, device, case when device = $4 then 'meter' else 'battery' end from added, unnest($5::text[]) device`,
      [
        siteIds,
        site.region,
        JSON.stringify(site),
        site.meter.device,
        [site.meter.device, ...site.batteries.map(({ device }) => device)],
      ],
    );
  }
  return homes;
}

/** Cumulative counts of the rules workers' lag by bucket, from the metrics they publish: of those that are gone, too. */
function lagReader({ owner: { pool } }: OwnPostgres): () => Promise<ReadonlyMap<string, number>> {
  const byWorker = new Map<string, ReadonlyMap<string, number>>();
  return async () => {
    const rows = await pool.query<{ name: string; metrics: unknown }>(
      `select name, metrics from worker where service = 'rules'`,
    );
    for (const { name, metrics } of rows.rows) byWorker.set(name, lagsIn(metrics));
    const lags = new Map<string, number>();
    for (const counts of byWorker.values()) {
      for (const [bucket, count] of counts) lags.set(bucket, (lags.get(bucket) ?? 0) + count);
    }
    return lags;
  };
}

function lagsIn(metrics: unknown): ReadonlyMap<string, number> {
  const lags = new Map<string, number>();
  for (const { name, values } of metricsJson.parse(metrics)) {
    if (name !== 'afterwatt_rules_judged_seconds') continue;
    for (const { labels, value } of values) if (labels.le !== undefined) lags.set(`${labels.le}`, value ?? 0);
  }
  return lags;
}

const metricsJson = z.array(
  z.looseObject({
    name: z.string(),
    values: z.array(
      z.looseObject({
        // Gauges that nothing has set yet have none.
        value: z.number().nullable(),
        labels: z.looseObject({ le: z.union([z.string(), z.number()]).optional() }),
      }),
    ),
  }),
);

/** Every shard is held, and has judged every pulse but those of the last moments. */
async function isCaughtUp({ owner: { pool } }: OwnPostgres): Promise<boolean> {
  const found = await pool.query<{ is_caught_up: boolean }>(
    `select count(*) = 64 and min(s.tx) >= (select coalesce(max(p.tx), 0) from pulse p
       where p.at < now() - make_interval(secs => $1)) as is_caught_up
     from shard s where s.lease_until > now()`,
    [CAUGHT_UP_S],
  );
  return found.rows[0]?.is_caught_up === true;
}

async function holders({ owner: { pool } }: OwnPostgres): Promise<number> {
  const found = await pool.query<{ n: number; shards: number }>(
    'select count(distinct holder)::int as n, count(*)::int as shards from shard where lease_until > now()',
  );
  const { n = 0, shards = 0 } = found.rows[0] ?? {};
  return shards === 64 ? n : 0;
}

/** @returns false when it does not hold within WAIT_MS, or is interrupted */
async function until(holds: () => Promise<boolean>, signal: AbortSignal): Promise<boolean> {
  const deadlineMs = Date.now() + WAIT_MS;
  while (!(await holds())) {
    if (Date.now() > deadlineMs || signal.aborted) return false;
    await sleep(200);
  }
  return true;
}

interface FoundLine extends Line {
  readonly fault: string;
  readonly sites: number;
  readonly sitesTold: number;
  readonly raisedTwice: number;
}

/** @param found of `foundOf`, the sites without a fault last */
function countsOf(found: readonly FoundLine[]) {
  const faulty = found.slice(0, -1);
  return {
    faulty: faulty.reduce((sum, { sites }) => sum + sites, 0),
    raised: faulty.reduce((sum, { sitesTold }) => sum + sitesTold, 0),
    twice: found.reduce((sum, { raisedTwice }) => sum + raisedTwice, 0),
    wrong: found.at(-1)?.sitesTold ?? 0,
  };
}

/** What was raised at the sites with a fault, and at the others, where anything is wrong: told by its kinds. */
async function foundOf({ owner: { pool } }: OwnPostgres, homes: readonly LiveHome[]): Promise<FoundLine[]> {
  const rows = await pool.query<{ kind: string; site: string; raised: number }>(
    `select i.kind, i.site, count(*)::int as raised
     from incident i join incident_transition t on t.incident_id = i.id and t.type = 'raised'
     group by i.kind, i.site, i.subject`,
  );
  const lines = homes.flatMap(({ faults: [fault], siteIds }): FoundLine[] => {
    if (fault === undefined) return [];
    const ids = new Set(siteIds);
    const own = rows.rows.filter(({ kind, site }) => kind === fault.name && ids.has(site));
    return [
      {
        fault: fault.name,
        sites: ids.size,
        sitesTold: new Set(own.map(({ site }) => site)).size,
        raisedTwice: own.filter(({ raised }) => raised > 1).length,
      },
    ];
  });
  const faulty = new Set(homes.flatMap(({ faults, siteIds }) => (faults.length > 0 ? siteIds : [])));
  const wrong = rows.rows.filter(({ site }) => !faulty.has(site));
  const kinds = [...new Set(wrong.map(({ kind }) => kind))].sort();
  return [
    ...lines,
    {
      fault: `none${kinds.length === 0 ? '' : ` (${kinds.join(', ')})`}`,
      sites: SITES - faulty.size,
      sitesTold: new Set(wrong.map(({ site }) => site)).size,
      raisedTwice: wrong.filter(({ raised }) => raised > 1).length,
    },
  ];
}

interface Publisher {
  readonly isReady: Promise<void>;
  count(): LiveCount;
  stop(): Promise<void>;
  kill(): Promise<void>;
}

function startPublisher(load: LiveLoad): Publisher {
  const child: ChildProcess = fork(join(import.meta.dirname, 'live-publisher.ts'), [], {
    execArgv: ['--import', 'tsx'],
  });
  let count: LiveCount = { sent: 0, acknowledged: 0, behindMs: 0 };
  const ended = new Promise<void>((resolve) => child.once('exit', () => resolve()));
  const isReady = new Promise<void>((resolve, reject) => {
    child.on('message', (message: LiveCount | 'ready') => {
      if (message === 'ready') resolve();
      else count = message;
    });
    child.once('exit', (code) => reject(new Error(`the publisher ended with ${code}`)));
    child.send(load);
  });
  const end = async (how: 'SIGTERM' | 'SIGKILL') => {
    child.kill(how);
    await ended;
  };
  return { isReady, count: () => count, stop: () => end('SIGTERM'), kill: () => end('SIGKILL') };
}
