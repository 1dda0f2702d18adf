// The rows of the bench. Each measures what it compares with in the same run, and reports ratios: on another machine
// the rates differ, the ratios hardly.

import { hasMosquitto, startMosquitto } from '../support/mosquitto.ts';
import { type OwnPostgres, startOwnPostgres } from '../support/own-postgres.ts';
import { makeCredentials } from '../support/register.ts';
import { percentile, publish, startIngest } from './bench-run.ts';
import { hasTools, startByHand, type Tool } from './by-hand.ts';
import { measureCeiling } from './ceiling.ts';
import { type FleetDevice, type PackShape, PERIOD_MS, registerFleet } from './fleet.ts';
import type { Load, Published } from './publisher.ts';

const DAY_MS = 86_400_000;
/** Rows of one measurement; a few seconds each. */
const ROWS = Number(process.env['BENCH_ROWS'] ?? 200_000);
const UNDER_WAY_READINGS = 20_000;
const PLAIN: PackShape = { readingsAPack: 10, format: 'json' };

/** One line of the table. */
export type Line = Readonly<Record<string, string | number>>;
export type Row = () => Promise<Line[]>;

interface Bench {
  readonly postgres: OwnPostgres;
  readonly fleet: readonly FleetDevice[];
  readonly credentials: { readonly username: string; readonly secret: string };
  /** A start time whose readings nobody has written yet. */
  freshMs(): number;
}

async function withBench<T>(devices: number, work: (bench: Bench) => Promise<T>): Promise<T> {
  const postgres = await startOwnPostgres();
  let day = 0;
  try {
    const fleet = await registerFleet(postgres.owner, devices);
    const credentials = await makeCredentials(postgres.owner);
    const todayMs = Math.floor(Date.now() / DAY_MS) * DAY_MS;
    return await work({ postgres, fleet, credentials, freshMs: () => todayMs - ++day * DAY_MS });
  } finally {
    await postgres.stop();
  }
}

function loadOf(bench: Bench, shape: PackShape, more: Partial<Load> & { port: number }): Load {
  const connections = more.connections ?? 8;
  return {
    ...shape,
    ...bench.credentials,
    fleet: bench.fleet,
    fromMs: bench.freshMs(),
    connections,
    window: Math.max(2, Math.ceil(UNDER_WAY_READINGS / shape.readingsAPack / connections)),
    packs: Math.ceil(ROWS / shape.readingsAPack),
    packsPerSecond: 0,
    ...more,
  };
}

/** Rows a second from the first publish to the last acknowledgement, that is, to the last commit. */
async function rateOf(load: Load, during?: () => void): Promise<{ rate: number; published: Published }> {
  // A short run first, so that none of them pays for compilation.
  const warm = Math.ceil(load.packs / 10);
  await publish({ ...load, packs: warm, packsPerSecond: 0, fromMs: load.fromMs - 30 * DAY_MS });
  const published = await publish(load, during);
  return { rate: (load.packs * load.readingsAPack) / published.seconds, published };
}

/** Waits until the broker's queue is stored too: there, an acknowledgement says nothing of a commit. */
async function storedRate(bench: Bench, rows: number, work: () => Promise<unknown>): Promise<number> {
  const { pool } = bench.postgres.owner;
  const count = async () =>
    (await pool.query<{ n: number }>('select count(*) as n from meter_reading')).rows[0]?.n ?? 0;
  const before = await count();
  const startedMs = performance.now();
  await work();
  while ((await count()) < before + rows) await new Promise((resolve) => setTimeout(resolve, 50));
  return rows / ((performance.now() - startedMs) / 1000);
}

const round = (value: number, digits = 0) => Number(value.toFixed(digits));

async function againstCeiling(): Promise<Line[]> {
  return withBench(1_000, async (bench) => {
    const lines: Line[] = [];
    for (const readingsAPack of [1, 10, 60]) {
      for (const format of ['json', 'cbor'] as const) {
        const ceiling = [await measureCeiling(bench.postgres, bench.fleet, bench.freshMs(), ROWS)];
        const ingest = await startIngest(bench.postgres);
        const { rate } = await rateOf(loadOf(bench, { readingsAPack, format }, { port: ingest.port ?? 0 }));
        const cpu = (ingest.cpuSeconds() / (ROWS * 1.1)) * 1e6;
        await ingest.stop();
        ceiling.push(await measureCeiling(bench.postgres, bench.fleet, bench.freshMs(), ROWS));
        const top = (ceiling[0] ?? 0) / 2 + (ceiling[1] ?? 0) / 2;
        lines.push({
          readingsAPack,
          format,
          rowsPerSecond: round(rate),
          ceilingPerSecond: round(top),
          ratio: round(rate / top, 2),
          ingestCpuMicrosecondsPerRow: round(cpu, 1),
        });
      }
    }
    return lines;
  });
}

async function againstByHand(): Promise<Line[]> {
  if (!hasMosquitto || !hasTools) return [{ skipped: 'needs mosquitto, mosquitto_sub, jq and psql' }];
  return withBench(1_000, async (bench) => {
    const broker = await startMosquitto();
    const { username, secret } = broker.gateway;
    const load = () => loadOf(bench, PLAIN, { port: broker.port, username, secret });
    try {
      const lines: Line[] = [];
      const ingest = await startIngest(bench.postgres, { MQTT_URL: broker.ingestUrl });
      const ours = await storedRate(bench, ROWS, () => publish(load()));
      await ingest.stop();
      for (const tool of ['jq', 'script'] satisfies Tool[]) {
        const given = load();
        const stored = await startByHand(tool, bench.postgres, broker, given.packs);
        const startedMs = performance.now();
        await publish(given);
        await stored;
        const theirs = ROWS / ((performance.now() - startedMs) / 1000);
        lines.push({
          by: tool,
          rowsPerSecond: round(theirs),
          ours: round(ours),
          ratio: round(ours / theirs, 2),
        });
      }
      return lines;
    } finally {
      await broker.stop();
    }
  });
}

async function atHalfLoad(): Promise<Line[]> {
  return withBench(1_000, async (bench) => {
    const ingest = await startIngest(bench.postgres);
    const port = ingest.port ?? 0;
    let peakMiB = 0;
    const watch = () => {
      peakMiB = Math.max(peakMiB, ingest.residentMiB());
    };
    const most = await rateOf(loadOf(bench, PLAIN, { port }), watch);
    const fullMiB = peakMiB;
    peakMiB = 0;
    const half = most.rate / 2 / PLAIN.readingsAPack;
    const { published } = await rateOf(loadOf(bench, PLAIN, { port, packsPerSecond: half }), watch);
    await ingest.stop();
    return [
      {
        rowsPerSecond: round(most.rate / 2),
        residentMiB: round(peakMiB),
        residentAtFullLoadMiB: round(fullMiB),
        p50Ms: round(percentile(published.delaysMs, 0.5), 1),
        p99Ms: round(percentile(published.delaysMs, 0.99), 1),
      },
    ];
  });
}

async function asItGrows(): Promise<Line[]> {
  const millions = (process.env['BENCH_MILLIONS'] ?? '1,5,20').split(',').map(Number);
  const lines: Line[] = await withBench(1_000, async (bench) => {
    const grown: Line[] = [];
    const { pool } = bench.postgres.owner;
    const ingest = await startIngest(bench.postgres);
    let stored = 0;
    let fillMs = bench.freshMs() - 100 * DAY_MS;
    for (const million of millions) {
      while (stored < million * 1e6) {
        // A day of a thousand meters is 17 million rows; each stretch goes on where the last one ended.
        await measureCeiling(bench.postgres, bench.fleet, fillMs, 500_000);
        fillMs += 500 * PERIOD_MS;
        stored += 500_000;
      }
      const { rate } = await rateOf(loadOf(bench, PLAIN, { port: ingest.port ?? 0, fromMs: fillMs }));
      fillMs += (ROWS / bench.fleet.length) * PERIOD_MS;
      const size = await pool.query<{ bytes: number; n: number }>(
        `select sum(pg_total_relation_size(inhrelid))::float8 as bytes, (select count(*) from meter_reading) as n
         from pg_inherits where inhparent = 'meter_reading'::regclass`,
      );
      const { bytes, n } = size.rows[0] ?? { bytes: 0, n: 1 };
      grown.push({
        millionRows: round(n / 1e6, 1),
        devices: 1_000,
        rowsPerSecond: round(rate),
        bytesPerRow: round(bytes / n, 1),
      });
    }
    await ingest.stop();
    return grown;
  });
  for (const devices of [100, 10_000, 100_000]) {
    lines.push(
      ...(await withBench(devices, async (bench) => {
        const ingest = await startIngest(bench.postgres);
        const { rate } = await rateOf(loadOf(bench, PLAIN, { port: ingest.port ?? 0 }));
        await ingest.stop();
        return [{ millionRows: round(ROWS / 1e6, 1), devices, rowsPerSecond: round(rate), bytesPerRow: '' }];
      })),
    );
  }
  const first = Number(lines[0]?.['rowsPerSecond'] ?? 1);
  return lines.map((line) => ({ ...line, ratio: round(Number(line['rowsPerSecond']) / first, 2) }));
}

async function twoWorkers(): Promise<Line[]> {
  return withBench(1_000, async (bench) => {
    const one = await startIngest(bench.postgres);
    const alone = await rateOf(loadOf(bench, PLAIN, { port: one.port ?? 0 }));
    const two = await startIngest(bench.postgres, { INGEST_WORKER: 'ingest-2' });
    const halfLoad = { packs: Math.ceil(ROWS / PLAIN.readingsAPack / 2), connections: 4 };
    const startedMs = performance.now();
    await Promise.all(
      [one, two].map((ingest) => publish(loadOf(bench, PLAIN, { port: ingest.port ?? 0, ...halfLoad }))),
    );
    const both = ROWS / ((performance.now() - startedMs) / 1000);
    await one.stop();
    await two.stop();
    return [{ one: round(alone.rate), two: round(both), ratio: round(both / alone.rate, 2) }];
  });
}

async function manyConnections(): Promise<Line[]> {
  return withBench(5_000, async (bench) => {
    const lines: Line[] = [];
    for (const connections of [1, 100, 5_000]) {
      const ingest = await startIngest(bench.postgres);
      const { rate } = await rateOf(loadOf(bench, PLAIN, { port: ingest.port ?? 0, connections }));
      const residentMiB = round(ingest.residentMiB());
      await ingest.stop();
      let throughBroker: number | string = 'no mosquitto';
      if (hasMosquitto) {
        const broker = await startMosquitto();
        const worker = await startIngest(bench.postgres, { MQTT_URL: broker.ingestUrl });
        const { username, secret } = broker.gateway;
        const load = loadOf(bench, PLAIN, { port: broker.port, connections, username, secret });
        throughBroker = round(await storedRate(bench, ROWS, () => publish(load)));
        await worker.stop();
        await broker.stop();
      }
      lines.push({ connections, endpoint: round(rate), throughBroker, residentMiB });
    }
    return lines;
  });
}

export const ROWS_OF_BENCH: Readonly<Record<string, { readonly title: string; readonly run: Row }>> = {
  a: { title: 'from MQTT to committed rows, against COPY from memory', run: againstCeiling },
  b: { title: 'through a broker, against what a person would do by hand', run: againstByHand },
  c: { title: 'memory and delay at half of the maximum load', run: atHalfLoad },
  d: { title: 'as the table and the fleet grow', run: asItGrows },
  e: { title: 'two ingest workers against one', run: twoWorkers },
  f: { title: 'endpoint and broker, with 1 to 5,000 connections', run: manyConnections },
};
