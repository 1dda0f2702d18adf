// Row `live`: thousands of sites at the contract's periods through ingest, Postgres and rules, all on this machine.
// How long after its commit a reading is judged, and what a killed rules worker costs.

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
/** What is judged this soon after its commit is judged in time. */
const IN_TIME_S = 1;
/** Caught up again: a pulse comes every second, and is judged within the next. */
const CAUGHT_UP_S = 2;
/** Faults that show at once, one each in the first homes. */
const SHOWN_AT_ONCE: readonly FaultName[] = ['reserve-setting', 'device-clock-skew', 'voltage-out-of-range'];
const WAIT_MS = 600_000;

/** @throws Error when something does not happen within ten minutes */
export async function live(): Promise<Line[]> {
  const postgres = await startOwnPostgres();
  const children: { stop(): Promise<unknown> }[] = [];
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
    const ingest = service('ingest');
    const rules = service('rules');
    const workers = [rules];
    await ingest.start();
    await rules.start();
    const publisher = await startPublisher({ port, ...credentials, connections: CONNECTIONS, fromMs, homes });
    children.push(publisher);
    const lines: Line[] = [];
    const under = async (phase: string, work: () => Promise<void>): Promise<void> => {
      const before = await lagsOf(postgres);
      const acknowledged = publisher.count().acknowledged;
      const startedMs = performance.now();
      console.error(`  ${phase} …`);
      await work();
      const seconds = (performance.now() - startedMs) / 1000;
      const lags = await lagsOf(postgres);
      const all = (lags.get('+Inf') ?? 0) - (before.get('+Inf') ?? 0);
      const inTime = (lags.get(`${IN_TIME_S}`) ?? 0) - (before.get(`${IN_TIME_S}`) ?? 0);
      const line = {
        phase,
        sites: SITES,
        seconds: Math.round(seconds),
        messagesPerSecond: Math.round((publisher.count().acknowledged - acknowledged) / seconds),
        sharePulsesJudgedWithinSecond: all === 0 ? '-' : Number((inTime / all).toFixed(3)),
        rulesMiB: Math.round(Math.max(...workers.map((worker) => worker.residentMiB()))),
      };
      lines.push(line);
      // What follows may take long, or fail.
      console.error(`    ${JSON.stringify(line)}`);
    };

    await sleep(Math.max(0, fromMs - Date.now()));
    await under('the first minute: every site begins', () => sleep(60_000));
    await under('steady', () => sleep(STEADY_S * 1000));
    await under('rules killed and started again, until caught up', async () => {
      await rules.kill();
      await rules.start();
      await untilCaughtUp(postgres);
    });
    const second = service('rules');
    workers.push(second);
    await under('a second worker takes its half, until caught up', async () => {
      await second.start();
      await until('two workers', async () => (await holders(postgres)) === 2);
      await untilCaughtUp(postgres);
    });
    await under('the first one is killed, until caught up', async () => {
      await rules.kill();
      await until('one worker', async () => (await holders(postgres)) === 1);
      await untilCaughtUp(postgres);
    });
    return [...lines, ...(await foundOf(postgres, homes))];
  } finally {
    for (const child of children.reverse()) await child.stop();
    await postgres.stop();
  }
}

async function registerHomes({ owner: { pool } }: OwnPostgres, fromMs: number): Promise<LiveHome[]> {
  const homes = Array.from({ length: HOMES }, (_, index): LiveHome => {
    const site = drawSite(`live-${index}`);
    const name = SHOWN_AT_ONCE[index];
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

/** Cumulative counts of the rules workers' lag by bucket, from the metrics they publish. */
async function lagsOf({ owner: { pool } }: OwnPostgres): Promise<ReadonlyMap<string, number>> {
  const rows = await pool.query<{ metrics: unknown }>(`select metrics from worker where service = 'rules'`);
  const lags = new Map<string, number>();
  for (const { metrics } of rows.rows) {
    for (const { name, values } of metricsJson.parse(metrics)) {
      if (name !== 'afterwatt_rules_judged_seconds') continue;
      for (const { labels, value } of values) {
        if (labels.le !== undefined) lags.set(`${labels.le}`, (lags.get(`${labels.le}`) ?? 0) + (value ?? 0));
      }
    }
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
async function untilCaughtUp({ owner: { pool } }: OwnPostgres): Promise<void> {
  await until('judging up to the present', async () => {
    const found = await pool.query<{ is_caught_up: boolean }>(
      `select count(*) = 64 and min(s.tx) >= (select coalesce(max(p.tx), 0) from pulse p
         where p.at < now() - make_interval(secs => $1)) as is_caught_up
       from shard s where s.lease_until > now()`,
      [CAUGHT_UP_S],
    );
    return found.rows[0]?.is_caught_up === true;
  });
}

async function holders({ owner: { pool } }: OwnPostgres): Promise<number> {
  const found = await pool.query<{ n: number; shards: number }>(
    'select count(distinct holder)::int as n, count(*)::int as shards from shard where lease_until > now()',
  );
  const { n = 0, shards = 0 } = found.rows[0] ?? {};
  return shards === 64 ? n : 0;
}

async function until(what: string, holds: () => Promise<boolean>): Promise<void> {
  const deadlineMs = Date.now() + WAIT_MS;
  while (!(await holds())) {
    if (Date.now() > deadlineMs) throw new Error(`no ${what} within ${WAIT_MS / 1000} s`);
    await sleep(200);
  }
}

/** What was raised at the sites with a fault, and at the others, where anything is wrong: told by its kinds. */
async function foundOf({ owner: { pool } }: OwnPostgres, homes: readonly LiveHome[]): Promise<Line[]> {
  const rows = await pool.query<{ kind: string; site: string; raised: number }>(
    `select i.kind, i.site, count(*)::int as raised
     from incident i join incident_transition t on t.incident_id = i.id and t.type = 'raised'
     group by i.kind, i.site, i.subject`,
  );
  const lines = homes.flatMap(({ faults: [fault], siteIds }): Line[] => {
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
  count(): LiveCount;
  stop(): Promise<void>;
}

async function startPublisher(load: LiveLoad): Promise<Publisher> {
  const child: ChildProcess = fork(join(import.meta.dirname, 'live-publisher.ts'), [], {
    execArgv: ['--import', 'tsx'],
  });
  let count: LiveCount = { sent: 0, acknowledged: 0, behindMs: 0 };
  const ended = new Promise<void>((resolve) => child.once('exit', () => resolve()));
  await new Promise<void>((resolve, reject) => {
    child.on('message', (message: LiveCount | 'ready') => {
      if (message === 'ready') resolve();
      else count = message;
    });
    child.once('exit', (code) => reject(new Error(`the publisher ended with ${code}`)));
    child.send(load);
  });
  return {
    count: () => count,
    async stop() {
      child.kill();
      await ended;
    },
  };
}
