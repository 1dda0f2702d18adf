// The rows of the bench. Each measures what it compares with in the same run, in turn with it and several times, and
// reports ratios: on another machine the rates differ, the ratios hardly.

import { spawnSync } from 'node:child_process';
import { hasMosquitto, startMosquitto } from '../support/mosquitto.ts';
import { type Publisher, residentMiB, startPublisher } from './bench-run.ts';
import { hasTools, startByHand, type Tool } from './by-hand.ts';
import { measureCeiling } from './ceiling.ts';
import { fillDay } from './fill.ts';
import { type PackShape, PERIOD_MS } from './fleet.ts';
import { live } from './live.ts';
import { benchPacking } from './packing.ts';
import { benchRollUps } from './roll-ups.ts';
import {
  type Bench,
  loadOf,
  openWay,
  PLAIN,
  REPEATS,
  ROWS,
  type Run,
  run,
  type SourceKind,
  type Way,
  withBench,
} from './setup.ts';
import { median, percentile, round, spread } from './statistics.ts';
import { measureWritePath, WRITE_PATHS } from './write-paths.ts';

/** One line of the table. */
export type Line = Readonly<Record<string, string | number>>;
export type Row = () => Promise<Line[]>;

const SOURCES: readonly SourceKind[] = hasMosquitto ? ['endpoint', 'broker'] : ['endpoint'];
const DAY_MS = 86_400_000;

interface Compared {
  readonly runs: readonly Run[];
  readonly rates: readonly number[];
  readonly ceilings: readonly number[];
  /** Each run to the mean of the ceilings before and after it. */
  readonly ratios: readonly number[];
}

/** Ceiling, run, ceiling, run, …, ceiling. @param fromMs of each of them; fresh days where nothing is said */
async function compare(
  bench: Bench,
  way: Way,
  shape: PackShape,
  rows = ROWS,
  fromMs?: () => number,
): Promise<Compared> {
  const { postgres, fleet } = bench;
  const start = fromMs ?? bench.freshMs;
  const packs = Math.ceil(rows / shape.readingsAPack);
  const ceiling = () => measureCeiling(postgres, fleet, shape.readingsAPack, start(), rows);
  const runs: Run[] = [];
  const ceilings = [await ceiling()];
  for (let repeat = 0; repeat < REPEATS; repeat++) {
    runs.push(await run(bench, way, loadOf(bench, shape, way, { packs, fromMs: start() })));
    ceilings.push(await ceiling());
  }
  const rates = runs.map(({ rowsPerSecond }) => rowsPerSecond);
  const ratios = rates.map(
    (rate, index) => (2 * rate) / ((ceilings[index] ?? 0) + (ceilings[index + 1] ?? 0)),
  );
  return { runs, rates, ceilings, ratios };
}

async function againstCeiling(): Promise<Line[]> {
  return withBench(1_000, async (bench) => {
    const lines: Line[] = [];
    for (const source of SOURCES) {
      const way = await openWay(bench, source);
      // Through a broker, it is the broker that limits small packs: one look at each format is enough.
      const sizes = source === 'endpoint' ? [1, 10, 60] : [10];
      for (const readingsAPack of sizes) {
        for (const format of ['json', 'cbor'] as const) {
          const { runs, rates, ceilings, ratios } = await compare(bench, way, { readingsAPack, format });
          const cpu = (of: keyof Run['cpu']) => round(median(runs.map((one) => one.cpu[of])), 1);
          lines.push({
            source,
            pack: readingsAPack,
            format,
            rowsPerSecond: round(median(rates)),
            ceiling: round(median(ceilings)),
            ratio: round(median(ratios), 2),
            spread: spread(ratios),
            ingestCpuUs: cpu('ingest'),
            postgresCpuUs: cpu('postgres'),
            publisherCpuUs: cpu('publisher'),
          });
        }
      }
      await way.stop();
    }
    return lines;
  });
}

async function againstByHand(): Promise<Line[]> {
  if (!hasMosquitto || !hasTools) return [{ skipped: 'needs mosquitto, mosquitto_sub, jq and psql' }];
  return withBench(1_000, async (bench) => {
    const ours: number[] = [];
    const theirs: Record<Tool, number[]> = { jq: [], script: [] };
    for (let repeat = 0; repeat < REPEATS; repeat++) {
      const way = await openWay(bench, 'broker');
      ours.push((await run(bench, way, loadOf(bench, PLAIN, way))).rowsPerSecond);
      await way.stop();
      for (const tool of ['jq', 'script'] as const) theirs[tool].push(await byHand(bench, tool));
    }
    return (['jq', 'script'] as const).map((tool) => {
      const ratios = ours.map((rate, index) => rate / (theirs[tool][index] ?? 0));
      return {
        by: tool,
        rowsPerSecond: round(median(theirs[tool])),
        ours: round(median(ours)),
        ratio: round(median(ratios), 2),
        spread: spread(ratios),
      };
    });
  });
}

/** jq needs a quarter of a millisecond a reading: a record of SenML is an object of its own. */
const ROWS_BY_HAND: Readonly<Record<Tool, number>> = { jq: ROWS / 10, script: ROWS };

/** Warmed up as ours is, by rows that it stores before the clock starts. @returns rows a second */
async function byHand(bench: Bench, tool: Tool): Promise<number> {
  const rows = ROWS_BY_HAND[tool];
  const packs = rows / PLAIN.readingsAPack;
  const broker = await startMosquitto();
  try {
    const to = { port: broker.port, ...broker.gateway };
    const load = loadOf(bench, PLAIN, to, { packs });
    const pipe = await startByHand(tool, bench.postgres, broker, load.packs * 2);
    await bench.publisher.publish(loadOf(bench, PLAIN, to, { packs }));
    await pipe.untilCopied(rows);
    const { seconds } = await bench.publisher.publish(load);
    const startedMs = performance.now() - seconds * 1000;
    await pipe.stored;
    return rows / ((performance.now() - startedMs) / 1000);
  } finally {
    await broker.stop();
  }
}

async function atHalfLoad(): Promise<Line[]> {
  return withBench(1_000, async (bench) => {
    const lines: Line[] = [];
    for (const source of SOURCES) {
      const way = await openWay(bench, source);
      let peakMiB = 0;
      const watch = () => {
        peakMiB = Math.max(peakMiB, residentMiB(way.ingest.pid));
      };
      const most: Run[] = [];
      for (let repeat = 0; repeat < REPEATS; repeat++) {
        most.push(await run(bench, way, loadOf(bench, PLAIN, way), watch));
      }
      const fullMiB = peakMiB;
      peakMiB = 0;
      const half = median(most.map(({ rowsPerSecond }) => rowsPerSecond)) / 2;
      const halves: Run[] = [];
      for (let repeat = 0; repeat < REPEATS; repeat++) {
        const packsPerSecond = half / PLAIN.readingsAPack;
        halves.push(await run(bench, way, loadOf(bench, PLAIN, way, { packsPerSecond }), watch));
      }
      await way.stop();
      const delay = (share: number) =>
        source === 'endpoint' ? halves.map(({ published }) => percentile(published.delaysMs, share)) : [];
      lines.push({
        source,
        rowsPerSecond: round(half),
        residentMiB: round(peakMiB),
        residentAtFullLoadMiB: round(fullMiB),
        // A broker acknowledges before anything is stored, so that there is no moment to measure to.
        p50Ms: source === 'endpoint' ? round(median(delay(0.5)), 1) : '',
        p99Ms: source === 'endpoint' ? round(median(delay(0.99)), 1) : '',
        p99Spread: source === 'endpoint' ? spread(delay(0.99), 0) : '',
      });
    }
    return lines;
  });
}

async function asItGrows(): Promise<Line[]> {
  return [...(await asTableGrows()), ...(await asFleetGrows())];
}

function numbersOf(variable: string, usual: string): number[] {
  return (process.env[variable] ?? usual).split(',').filter(Boolean).map(Number);
}

/** Nothing is logged twice of a table that is made and filled in one transaction; all else is as always. */
const FAST_TO_FILL = { wal_level: 'minimal', max_wal_senders: 0 };

/**
 * Days that are filled until the table has so many million rows; then each of them takes readings in turn, so that
 * whatever else the machine does meets all alike.
 */
function asTableGrows(): Promise<Line[]> {
  const work = async (bench: Bench) => {
    const { fleet, postgres } = bench;
    const days: { readonly filled: number; nextMs: number; readonly turns: Turn[] }[] = [];
    const firstDay = Math.floor(Date.now() / DAY_MS) - 100;
    let rows = 0;
    for (const million of numbersOf('BENCH_MILLIONS', '1,5,20')) {
      const day = firstDay + days.length;
      const periods = Math.ceil((million * 1e6 - rows) / fleet.length);
      await fillDay(postgres.owner.pool, day, periods);
      rows += periods * fleet.length;
      days.push({
        filled: periods * fleet.length,
        nextMs: day * DAY_MS + periods * PERIOD_MS,
        turns: [],
      });
    }
    const way = await openWay(bench, 'endpoint');
    const a = PLAIN.readingsAPack;
    for (let repeat = 0; repeat < REPEATS; repeat++) {
      for (const day of days) {
        const take = () => {
          const fromMs = day.nextMs;
          day.nextMs += Math.ceil(ROWS / fleet.length / a) * a * PERIOD_MS;
          return fromMs;
        };
        const packs = Math.ceil(ROWS / a);
        const { rowsPerSecond, cpu } = await run(
          bench,
          way,
          loadOf(bench, PLAIN, way, { packs, fromMs: take() }),
        );
        const ceiling = await measureCeiling(postgres, fleet, a, take(), ROWS);
        day.turns.push({ rowsPerSecond, ceiling, cpuUs: cpu.ingest + cpu.postgres });
      }
    }
    await way.stop();
    const first = days[0]?.turns ?? [];
    return days.map(({ filled, turns }) => ({
      ...{ millionRows: round(rows / 1e6, 1), millionOfDay: round(filled / 1e6, 1), devices: fleet.length },
      ...summary(turns),
      rateToFirst: toFirst(turns, first, ({ rowsPerSecond }) => rowsPerSecond),
      ratioToFirst: toFirst(turns, first, ({ rowsPerSecond, ceiling }) => rowsPerSecond / ceiling),
      cpuToFirst: toFirst(turns, first, ({ cpuUs }) => cpuUs),
    }));
  };
  return withBench(1_000, work, FAST_TO_FILL);
}

async function asFleetGrows(): Promise<Line[]> {
  const fleets: { readonly devices: number; readonly turns: readonly Turn[] }[] = [];
  for (const devices of numbersOf('BENCH_DEVICES', '100,1000,10000,100000')) {
    const turns = await withBench(devices, async (bench) => {
      const way = await openWay(bench, 'endpoint');
      // As many as send a pack in one run, from all over the fleet; ingest knows all of them.
      const every = Math.max(1, Math.floor((devices * PLAIN.readingsAPack) / ROWS));
      const fleet = bench.fleet.filter((_, index) => index % every === 0);
      const { ceilings, runs } = await compare({ ...bench, fleet }, way, PLAIN);
      await way.stop();
      return runs.map(({ rowsPerSecond, cpu }, index) => ({
        ...{ rowsPerSecond, cpuUs: cpu.ingest + cpu.postgres },
        ceiling: ((ceilings[index] ?? 0) + (ceilings[index + 1] ?? 0)) / 2,
      }));
    });
    fleets.push({ devices, turns });
  }
  const first = fleets[0]?.turns ?? [];
  return fleets.map(({ devices, turns }) => ({
    devices,
    ...summary(turns),
    rateToFirst: toFirst(turns, first, ({ rowsPerSecond }) => rowsPerSecond),
    ratioToFirst: toFirst(turns, first, ({ rowsPerSecond, ceiling }) => rowsPerSecond / ceiling),
    cpuToFirst: toFirst(turns, first, ({ cpuUs }) => cpuUs),
  }));
}

interface Turn {
  readonly rowsPerSecond: number;
  readonly ceiling: number;
  /** Ingest's and Postgres' processor time a row: hardly moved by what else the machine does. */
  readonly cpuUs: number;
}

function summary(turns: readonly Turn[]) {
  const ratios = turns.map(({ rowsPerSecond, ceiling }) => rowsPerSecond / ceiling);
  return {
    rowsPerSecond: round(median(turns.map(({ rowsPerSecond }) => rowsPerSecond))),
    ceiling: round(median(turns.map(({ ceiling }) => ceiling))),
    ratio: round(median(ratios), 2),
    spread: spread(ratios),
    cpuUs: round(median(turns.map(({ cpuUs }) => cpuUs)), 1),
  };
}

/** The median of what each turn is to the same turn of the first. */
function toFirst(turns: readonly Turn[], first: readonly Turn[], of: (turn: Turn) => number): number {
  const shares = turns.map((turn, index) => of(turn) / of(first[index] ?? turn));
  return round(median(shares), 2);
}

async function twoWorkers(): Promise<Line[]> {
  return withBench(1_000, async (bench) => {
    const one = await openWay(bench, 'endpoint');
    const two = await openWay(bench, 'endpoint');
    const second = startPublisher();
    const alone: number[] = [];
    const both: number[] = [];
    const half = { packs: Math.ceil(ROWS / PLAIN.readingsAPack / 2), connections: 4 };
    for (let repeat = 0; repeat < REPEATS; repeat++) {
      alone.push((await run(bench, one, loadOf(bench, PLAIN, one))).rowsPerSecond);
      const publish = (publisher: Publisher, way: Way) => publisher.publish(loadOf(bench, PLAIN, way, half));
      const halves = await Promise.all([publish(bench.publisher, one), publish(second, two)]);
      both.push(ROWS / Math.max(...halves.map(({ seconds }) => seconds)));
    }
    second.stop();
    await one.stop();
    await two.stop();
    const ratios = both.map((rate, index) => rate / (alone[index] ?? 0));
    return [
      {
        one: round(median(alone)),
        two: round(median(both)),
        ratio: round(median(ratios), 2),
        spread: spread(ratios),
      },
    ];
  });
}

/** What a process has open besides its connections. */
const OTHER_OPEN_FILES = 100;

/** Node raises its own limit up to this one. */
function mostOpenFiles(): number {
  const limit = spawnSync('sh', ['-c', 'ulimit -Hn'], { encoding: 'utf8' }).stdout.trim();
  return limit === 'unlimited' ? Number.POSITIVE_INFINITY : Number(limit);
}

async function manyConnections(): Promise<Line[]> {
  return withBench(5_000, async (bench) => {
    const lines: Line[] = [];
    const openFiles = mostOpenFiles();
    for (const connections of [1, 100, 5_000]) {
      if (connections + OTHER_OPEN_FILES > openFiles) {
        lines.push({ connections, skipped: `a process may have ${openFiles} files open` });
        continue;
      }
      const rates: Record<SourceKind, number[]> = { endpoint: [], broker: [] };
      let endpointMiB = 0;
      for (const source of SOURCES) {
        const way = await openWay(bench, source);
        for (let repeat = 0; repeat < REPEATS; repeat++) {
          rates[source].push(
            (await run(bench, way, loadOf(bench, PLAIN, way, { connections }))).rowsPerSecond,
          );
        }
        if (source === 'endpoint') endpointMiB = residentMiB(way.ingest.pid);
        await way.stop();
      }
      lines.push({
        connections,
        endpoint: round(median(rates.endpoint)),
        endpointSpread: spread(rates.endpoint, 0),
        endpointMiB: round(endpointMiB),
        broker: hasMosquitto ? round(median(rates.broker)) : 'no mosquitto',
        brokerSpread: hasMosquitto ? spread(rates.broker, 0) : '',
        ratio: hasMosquitto ? round(median(rates.endpoint) / median(rates.broker), 2) : '',
      });
    }
    return lines;
  });
}

async function writePaths(): Promise<Line[]> {
  return withBench(1_000, async (bench) => {
    const paths = Object.keys(WRITE_PATHS);
    const rates = new Map(paths.map((path) => [path, { fresh: [] as number[], known: [] as number[] }]));
    for (let repeat = 0; repeat < REPEATS; repeat++) {
      for (const [path, { fresh, known }] of rates) {
        const measured = await measureWritePath(bench.postgres, path, bench.fleet, bench.freshMs(), ROWS / 2);
        fresh.push(measured.fresh);
        if (measured.known !== undefined) known.push(measured.known);
      }
    }
    const best = median(rates.get(paths[0] ?? '')?.fresh ?? []);
    return [...rates].map(([path, { fresh, known }]) => ({
      path,
      newRowsPerSecond: round(median(fresh)),
      ofFirst: round(median(fresh) / best, 2),
      knownRowsPerSecond: known.length === 0 ? 'goes the next way' : round(median(known)),
    }));
  });
}

export const ROWS_OF_BENCH: Readonly<Record<string, { readonly title: string; readonly run: Row }>> = {
  a: { title: 'from MQTT to committed rows, against COPY from memory', run: againstCeiling },
  b: { title: 'through a broker, against what a person would do by hand', run: againstByHand },
  c: { title: 'memory and delay at half of the maximum load', run: atHalfLoad },
  d: { title: 'as the table and the fleet grow', run: asItGrows },
  e: { title: 'two ingest workers against one', run: twoWorkers },
  f: { title: 'endpoint and broker, with 1 to 5,000 connections', run: manyConnections },
  g: { title: 'ways to write, one connection each', run: writePaths },
  h: { title: 'roll-ups: speed, size, and a year of one site', run: benchRollUps },
  i: { title: 'packed days: size and reading, against plain rows', run: benchPacking },
  live: { title: 'thousands of sites live, judged in time, rules workers killed', run: live },
};
