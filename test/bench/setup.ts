// What every row of the bench stands on: a Postgres with a fleet in it, one publisher, ingest over either source, and
// runs that are timed from the first publish to the last commit.

import { readdirSync, readFileSync } from 'node:fs';
import pg from 'pg';
import { startMosquitto } from '../support/mosquitto.ts';
import { type OwnPostgres, startOwnPostgres } from '../support/own-postgres.ts';
import { makeCredentials } from '../support/register.ts';
import { cpuSeconds, type Ingest, type Publisher, startIngest, startPublisher } from './bench-run.ts';
import { type FleetDevice, type PackShape, PERIOD_MS, registerFleet } from './fleet.ts';
import type { Load, Published } from './publisher.ts';

const DAY_MS = 86_400_000;
/** Rows of one timed run: a second or so. */
export const ROWS = Number(process.env['BENCH_ROWS'] ?? 150_000);
/** Timed runs of each thing; reported is the median. */
export const REPEATS = Number(process.env['BENCH_REPEATS'] ?? 3);
/** Enough to keep two batches of 5,000 full. */
const UNDER_WAY_READINGS = 20_000;
const MOST_READINGS_A_PACK = 60;
const STORED_POLL_MS = 20;
export const PLAIN: PackShape = { readingsAPack: 10, format: 'json' };

export interface Bench {
  readonly postgres: OwnPostgres;
  readonly fleet: readonly FleetDevice[];
  readonly publisher: Publisher;
  readonly credentials: { readonly username: string; readonly secret: string };
  /** A start time whose readings nobody has written yet. */
  freshMs(): number;
}

export async function withBench<T>(
  devices: number,
  work: (bench: Bench) => Promise<T>,
  settings: Readonly<Record<string, string | number>> = {},
): Promise<T> {
  // No run pays for the vacuum of the rows of the one before: one that did took four times as much of Postgres.
  const postgres = await startOwnPostgres({ autovacuum: 'off', ...settings });
  const publisher = startPublisher();
  // The roll-ups of a run would be made during the next one, and would be no part of the ceiling: they stand still
  // while somebody else holds their lock.
  const holder = new pg.Client({ connectionString: postgres.url });
  await holder.connect();
  await holder.query(`select pg_advisory_lock(hashtext('roll-ups'))`);
  let slots = 0;
  try {
    const fleet = await registerFleet(postgres.owner, devices);
    const credentials = await makeCredentials(postgres.owner);
    // Readings of now: those of the days before yesterday take a way of their own, because they might be packed.
    const yesterdayMs = (Math.floor(Date.now() / DAY_MS) - 1) * DAY_MS;
    const slotMs = Math.ceil(ROWS / devices + MOST_READINGS_A_PACK) * PERIOD_MS;
    const freshMs = () => {
      const fromMs = yesterdayMs + slots++ * slotMs;
      // Nothing that is further ahead is taken.
      if (fromMs + slotMs > Date.now() + DAY_MS)
        throw new Error('too many runs for two days: set BENCH_ROWS');
      return fromMs;
    };
    return await work({ postgres, fleet, publisher, credentials, freshMs });
  } finally {
    publisher.stop();
    await holder.end();
    await postgres.stop();
  }
}

export type SourceKind = 'endpoint' | 'broker';

/** An ingest and the way to it, warmed up: where messages go, and by whom. */
export interface Way {
  readonly source: SourceKind;
  readonly ingest: Ingest;
  readonly port: number;
  readonly username: string;
  readonly secret: string;
  stop(): Promise<void>;
}

export async function openWay(bench: Bench, source: SourceKind): Promise<Way> {
  const way = source === 'endpoint' ? await openEndpoint(bench) : await openBroker(bench);
  // So that no timed run pays for compilation.
  for (const format of ['json', 'cbor'] as const) {
    await run(bench, way, loadOf(bench, { ...PLAIN, format }, way, { packs: Math.ceil(ROWS / 10 / 2) }));
  }
  return way;
}

async function openEndpoint(bench: Bench): Promise<Way> {
  const ingest = await startIngest(bench.postgres);
  return { source: 'endpoint', ingest, port: ingest.port, ...bench.credentials, stop: () => ingest.stop() };
}

async function openBroker({ postgres }: Bench): Promise<Way> {
  const broker = await startMosquitto();
  const ingest = await startIngest(postgres, { MQTT_URL: broker.ingestUrl });
  return {
    ...{ source: 'broker', ingest, port: broker.port, ...broker.gateway },
    async stop() {
      await ingest.stop();
      await broker.stop();
    },
  };
}

export function loadOf(
  bench: Bench,
  shape: PackShape,
  to: { readonly port: number; readonly username: string; readonly secret: string },
  more: Partial<Load> = {},
): Load {
  const connections = more.connections ?? 8;
  return {
    ...shape,
    ...{ port: to.port, username: to.username, secret: to.secret },
    fleet: bench.fleet,
    fromMs: bench.freshMs(),
    connections,
    window: Math.max(2, Math.ceil(UNDER_WAY_READINGS / shape.readingsAPack / connections)),
    packs: Math.ceil(ROWS / shape.readingsAPack),
    packsPerSecond: 0,
    ...more,
  };
}

export interface Run {
  readonly rowsPerSecond: number;
  readonly published: Published;
  /** Processor time a row, microseconds. */
  readonly cpu: { readonly ingest: number; readonly postgres: number; readonly publisher: number };
}

/** From the first publish to the last commit. */
export async function run(bench: Bench, way: Way, load: Load, during?: () => void): Promise<Run> {
  const { postgres, publisher } = bench;
  const rows = load.packs * load.readingsAPack;
  await postgres.owner.pool.query('checkpoint');
  const [ingestBefore, postgresBefore] = [cpuSeconds(way.ingest.pid), serverSeconds(postgres.pid)];
  const published = await publisher.publish(load, during);
  // The endpoint's last acknowledgement is the last commit; a broker's says nothing of it.
  const seconds = published.seconds + (way.source === 'broker' ? await untilStored(bench, load) : 0);
  const perRow = (cpu: number) => (cpu / rows) * 1e6;
  return {
    rowsPerSecond: rows / seconds,
    published,
    cpu: {
      ingest: perRow(cpuSeconds(way.ingest.pid) - ingestBefore),
      postgres: perRow(serverSeconds(postgres.pid) - postgresBefore),
      publisher: perRow(published.cpuSeconds),
    },
  };
}

/** Looks for the last rows of every connection, which is cheap, and counts at the end. @returns seconds */
async function untilStored(
  { postgres }: Bench,
  { fleet, fromMs, packs, readingsAPack }: Load,
): Promise<number> {
  const startedMs = performance.now();
  const { pool } = postgres.owner;
  const last = fleet[(packs - 1) % fleet.length];
  const rounds = Math.ceil(packs / fleet.length);
  const lastMs = fromMs + (rounds * readingsAPack - 1) * PERIOD_MS;
  const window = [new Date(fromMs), new Date(lastMs)];
  const hasLast = async () => {
    const found = await pool.query(
      'select from meter_reading where site_no = $1 and device_no = $2 and at = $3',
      [...[last?.siteNo, last?.deviceNo, window[1]]],
    );
    return found.rowCount === 1;
  };
  const isComplete = async () => {
    // By its key: the day holds all other runs too.
    const counted = await pool.query<{ n: number }>(
      `select coalesce(sum(n), 0)::bigint as n from device d cross join lateral (
         select count(*) as n from meter_reading r
         where r.site_no = d.site_no and r.device_no = d.no and r.at between $1 and $2) own`,
      window,
    );
    return (counted.rows[0]?.n ?? 0) >= packs * readingsAPack;
  };
  while (!(await hasLast())) await pause();
  const seenMs = performance.now();
  if (await isComplete()) return (seenMs - startedMs) / 1000;
  while (!(await isComplete())) await pause();
  return (performance.now() - startedMs) / 1000;
}

function pause(): Promise<void> {
  return new Promise((resolve) => setTimeout(resolve, STORED_POLL_MS));
}

/** Of all processes of a Postgres. */
export function serverSeconds(pid: number): number {
  let seconds = cpuSeconds(pid);
  for (const other of readdirSync('/proc')) {
    if (!/^\d+$/.test(other)) continue;
    try {
      const fields = readFileSync(`/proc/${other}/stat`, 'utf8').split(') ')[1]?.split(' ') ?? [];
      if (Number(fields[1]) === pid) seconds += (Number(fields[11]) + Number(fields[12])) / 100;
    } catch {
      // It has ended; its parent counts it now.
    }
  }
  return seconds;
}
