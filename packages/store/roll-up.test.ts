// Roll-ups against a plain calculation from the sorted set of readings, whatever the order in which these came, and
// against worked examples.

import { emptyMeterReading } from '@afterwatt/wire';
import fc from 'fast-check';
import { DateTime } from 'luxon';
import { beforeEach, describe, expect, it } from 'vitest';
import { createTestDatabase } from '../../test/support/database.ts';
import { registerSite } from '../../test/support/register.ts';
import { untilReadable, writeReadings } from '../../test/support/write-readings.ts';
import { asCaller, openSite } from './as-caller.ts';
import { packClosedDays } from './pack-readings.ts';
import { type Cell, listColumns } from './reading-columns.ts';
import { type RolledUp, type RollUpLimits, rollUp } from './roll-up.ts';
import { BINS, type Bin } from './roll-up-sql.ts';
import { keepUp } from './upkeep.ts';

const database = await createTestDatabase();
beforeEach(() => database.keepOnFailure());
const owner = database.connect();
const ingest = database.connect('afterwatt_ingest');
const api = database.connect('afterwatt_api');

const LIMITS: RollUpLimits = { readings: 10_000, stretches: 1_000 };
const LONG_AFTER = Date.UTC(2030, 0, 1);
const LONG_BEFORE = Date.UTC(2000, 0, 1);

interface Reading {
  readonly at: number;
  readonly l1V?: number | null;
  readonly l1W?: number | null;
  readonly l2W?: number | null;
  readonly importWh?: number | null;
  readonly periodS?: number | null;
}

let sites = 0;

/** A site of its own, with a meter that is registered to report every 5 s. */
async function aSite(timeZone = 'America/New_York') {
  sites += 1;
  const siteNo = await registerSite(owner, { id: `elm-${sites}`, name: 'Elm', timeZone });
  const found = await owner.pool.query<{ no: number }>('select no from device where site_no = $1', [siteNo]);
  return { siteNo, deviceNo: found.rows[0]?.no ?? 0, timeZone };
}
type Place = Awaited<ReturnType<typeof aSite>>;

/** In one transaction, and waits until roll-ups may see it; what is known already stays, as ingest writes. */
async function insert(place: Place, readings: readonly Reading[]): Promise<void> {
  const told = readings.map(({ at, ...values }) => ({ ...emptyMeterReading('meter-1', at), ...values }));
  await writeReadings(ingest.pool, place, told);
  await untilReadable(ingest.pool);
}

/** As the upkeep does, once all that is rolled up is judged too. */
async function pack(): Promise<void> {
  await owner.pool.query('update shard set tx = (select tx from rollup_state)');
  const signal = new AbortController().signal;
  await packClosedDays(ingest.pool, { nowMs: LONG_AFTER, afterDays: 8, signal, onDay: () => {} });
}

async function rollUpAll(limits = LIMITS, nowMs = LONG_AFTER): Promise<RolledUp> {
  for (;;) {
    const done = await rollUp(ingest.pool, limits, nowMs);
    if (done?.isDone === true) return done;
  }
}

const NAMES = {
  'l1.v': 'l1_v',
  'l1.v.min': 'l1_v_min',
  'l1.v.max': 'l1_v_max',
  'l1.v.count': 'coalesce(l1_v_n, case when l1_v is null then 0 else readings end)',
  'l1.p': 'l1_w',
  'l1.p.min': 'l1_w_min',
  'l1.p.max': 'l1_w_max',
  'l1.p.energy-pos': 'l1_w_pos_wh',
  'l1.p.energy-neg': 'l1_w_neg_wh',
  'service.p.energy-pos': 'service_w_pos_wh',
  'service.p.energy-neg': 'service_w_neg_wh',
  import: 'import_wh_max',
  'import.min': 'import_wh_min',
  'import.moved': 'import_wh_moved_wh',
  'import.excess': 'import_wh_excess_wh',
  readings: 'readings',
  covered: 'covered_s',
} as const;
type Name = keyof typeof NAMES;
type Rolled = Map<number, Partial<Record<Name, number | null>>>;

/** What the table holds. */
async function stored({ siteNo }: Place, bin: Bin): Promise<Rolled> {
  const columns = Object.entries(NAMES).map(([name, column]) => `(${column})::float8 as "${name}"`);
  const found = await owner.pool.query<{ at: Date } & Record<Name, number | null>>(
    `select at, ${columns.join(', ')} from meter_${bin} where site_no = $1`,
    [siteNo],
  );
  return new Map(found.rows.map(({ at, ...row }) => [at.getTime(), row]));
}

/** What the API tells of all time. */
async function answered(
  place: Place,
  bin: Bin,
  quantities: readonly string[] = Object.keys(NAMES),
): Promise<Map<number, Record<string, Cell | undefined>>> {
  const caller = { role: 'operator', company: null, sites: [] } as const;
  const { times, columns } = await asCaller(api.db, caller, async (tx) => {
    await openSite(tx, place.siteNo);
    return listColumns(tx, {
      ...{ siteNo: place.siteNo, bin, timeZone: place.timeZone, limit: 100_000, quantities },
      ...{ device: { no: place.deviceNo, id: 'meter-1', kind: 'meter' } },
      ...{ from: new Date(Date.UTC(2025, 0, 1)), to: new Date(Date.UTC(2027, 0, 1)) },
    });
  });
  return new Map(
    times.map((at, index) => [
      at.getTime(),
      Object.fromEntries([...columns].map(([name, cells]) => [name, cells[index]])),
    ]),
  );
}

const LENGTH_MS = { '1m': 60_000, '15m': 900_000, '1h': 3_600_000 };

/** The stretch that an instant lies in. Days by Luxon, which has time zones from elsewhere than Postgres. */
function stretchOf(bin: Bin, ms: number, zone: string): { start: number; end: number } {
  if (bin === '1d') {
    const day = DateTime.fromMillis(ms, { zone }).startOf('day');
    return { start: day.toMillis(), end: day.plus({ days: 1 }).startOf('day').toMillis() };
  }
  const start = Math.floor(ms / LENGTH_MS[bin]) * LENGTH_MS[bin];
  return { start, end: start + LENGTH_MS[bin] };
}

/** Areas above and below zero under a straight line from a to b. */
function areas(a: number, b: number, hours: number): { pos: number; neg: number } {
  if (a * b >= 0) {
    const area = (hours * (a + b)) / 2;
    return { pos: Math.max(0, area), neg: Math.max(0, -area) };
  }
  const before = areas(a, 0, (hours * Math.abs(a)) / (Math.abs(a) + Math.abs(b)));
  const after = areas(0, b, (hours * Math.abs(b)) / (Math.abs(a) + Math.abs(b)));
  return { pos: before.pos + after.pos, neg: before.neg + after.neg };
}

/** The definition, plainly: each stretch from the readings in order of time, with no other stretch in between. */
function expected(given: readonly Reading[], bin: Bin, zone: string): Rolled {
  const readings = [...given].sort((a, b) => a.at - b.at);
  const rolled: Rolled = new Map();
  const add = (start: number, name: Name, value: number) => {
    const row = rolled.get(start) ?? {};
    row[name] = (row[name] ?? 0) + value;
    rolled.set(start, row);
  };
  const starts = new Set(readings.map(({ at }) => stretchOf(bin, at, zone).start));
  for (const start of starts) {
    const members = readings.filter(({ at }) => stretchOf(bin, at, zone).start === start);
    const told = (pick: (reading: Reading) => number | null | undefined) =>
      members.map(pick).filter((value) => value !== null && value !== undefined);
    const volts = told(({ l1V }) => l1V);
    const watts = told(({ l1W }) => l1W);
    const counts = told(({ importWh }) => importWh);
    const sum = (values: readonly number[]) => values.reduce((total, value) => total + value, 0);
    const orNull = (values: readonly number[], value: number) => (values.length > 0 ? value : null);
    rolled.set(start, {
      'l1.v': orNull(volts, Math.sqrt(sum(volts.map((v) => v * v)) / volts.length)),
      'l1.v.min': orNull(volts, Math.min(...volts)),
      'l1.v.max': orNull(volts, Math.max(...volts)),
      'l1.v.count': volts.length,
      'l1.p': orNull(watts, sum(watts) / watts.length),
      'l1.p.min': orNull(watts, Math.min(...watts)),
      'l1.p.max': orNull(watts, Math.max(...watts)),
      import: orNull(counts, Math.max(...counts)),
      'import.min': orNull(counts, Math.min(...counts)),
      readings: members.length,
    });
  }
  for (const [index, next] of readings.entries()) {
    const last = readings[index - 1];
    if (last === undefined || next.at - last.at > 5 * 1000 * (next.periodS ?? 5)) continue;
    for (let at = last.at; at < next.at; ) {
      const { start, end } = stretchOf(bin, at, zone);
      const until = Math.min(end, next.at);
      const on = (a: number, b: number, ms: number) => a + ((b - a) * (ms - last.at)) / (next.at - last.at);
      const hours = (until - at) / 3_600_000;
      add(start, 'covered', (until - at) / 1000);
      const [w0, w1, v0, v1] = [last.l1W, next.l1W, last.l2W, next.l2W];
      if (w0 != null && w1 != null) {
        const { pos, neg } = areas(on(w0, w1, at), on(w0, w1, until), hours);
        add(start, 'l1.p.energy-pos', pos);
        add(start, 'l1.p.energy-neg', neg);
        if (v0 != null && v1 != null) {
          const both = areas(on(w0 + v0, w1 + v1, at), on(w0 + v0, w1 + v1, until), hours);
          add(start, 'service.p.energy-pos', both.pos);
          add(start, 'service.p.energy-neg', both.neg);
          if (last.importWh != null && next.importWh != null && next.importWh >= last.importWh) {
            const moved = ((next.importWh - last.importWh) * (until - at)) / (next.at - last.at);
            add(start, 'import.moved', moved);
            add(start, 'import.excess', both.pos - moved);
          }
        }
      }
      at = until;
    }
  }
  return rolled;
}

/** To what a `real` holds and an answer is rounded to; energy that is not known may also be none. */
function expectSame(
  actual: ReadonlyMap<number, Record<string, Cell | undefined>>,
  wanted: Rolled,
  what: string,
): void {
  const times = (rolled: ReadonlyMap<number, unknown>) =>
    [...rolled.keys()].sort().map((ms) => new Date(ms).toISOString());
  expect(times(actual), what).toEqual(times(wanted));
  for (const [at, row] of wanted) {
    for (const name of Object.keys(NAMES) as Name[]) {
      const isNone = /energy|moved|excess|covered|count|readings/.test(name) ? 0 : null;
      const is = actual.get(at)?.[name] ?? isNone;
      const should = row[name] ?? isNone;
      const near =
        typeof is !== 'number' || should === null
          ? is === should
          : Math.abs(is - should) <= 0.002 + 2e-6 * Math.abs(should);
      if (!near) expect.fail(`${what}, ${new Date(at).toISOString()}, ${name}: ${is}, not ${should}`);
    }
  }
}

const value = (min: number, max: number) => fc.option(fc.integer({ min, max }), { freq: 8 });
/** Local midnights, some of days with 23 or 25 hours, and zones whose hours do not begin with UTC's. */
const someMidnight = fc.constantFrom(
  { zone: 'America/New_York', day: '2026-03-08' },
  { zone: 'America/New_York', day: '2026-03-09' },
  { zone: 'America/New_York', day: '2026-11-02' },
  { zone: 'Asia/Kathmandu', day: '2026-06-01' },
  { zone: 'Australia/Lord_Howe', day: '2026-04-06' },
);
const someReadings = fc.uniqueArray(
  fc.record({
    // Crowded near midnight, so that readings follow each other as well as leave gaps.
    second: fc.oneof(fc.integer({ min: -90, max: 90 }), fc.integer({ min: -4000, max: 4000 })),
    l1V: value(100, 140),
    l1W: value(-3000, 3000),
    l2W: value(-3000, 3000),
    importWh: value(0, 1000),
    periodS: fc.option(fc.constantFrom(1, 60, 600), { freq: 2 }),
  }),
  { selector: ({ second }) => second, minLength: 1, maxLength: 60 },
);

describe('roll-ups', () => {
  it('are those of the sorted readings, in whatever order, batches and copies these come and whenever one looks or packs', async () => {
    await fc.assert(
      fc.asyncProperty(
        someMidnight,
        someReadings,
        fc.infiniteStream(fc.nat()),
        fc.record({
          readings: fc.integer({ min: 1, max: 20 }),
          stretches: fc.integer({ min: 40, max: 400 }),
        }),
        async ({ zone, day }, drawn, numbers, limits) => {
          const draw = (below: number) => Number(numbers.next().value) % below;
          const midnight = DateTime.fromISO(day, { zone }).toMillis();
          const readings = drawn.map(({ second, ...rest }) => ({ at: midnight + second * 1000, ...rest }));
          const place = await aSite(zone);
          // Some come twice, all in any order.
          const arriving = [...readings, ...readings.filter(() => draw(3) === 0)]
            .map((reading) => ({ reading, key: draw(1_000_000) }))
            .sort((a, b) => a.key - b.key)
            .map(({ reading }) => reading);
          const arrived = new Set<Reading>();
          while (arriving.length > 0) {
            const batch = arriving.splice(0, 1 + draw(25));
            await insert(place, batch);
            for (const reading of batch) arrived.add(reading);
            // Sometimes nothing is over yet, sometimes some of it, sometimes a step is all there is time for.
            const nowMs = [LONG_BEFORE, midnight + draw(3600) * 1000, LONG_AFTER][draw(3)];
            await rollUp(ingest.pool, limits, nowMs ?? 0);
            if (draw(3) === 0) await pack();
            if (draw(3) > 0) continue;
            await rollUpAll({ ...limits, readings: 1000 }, LONG_BEFORE);
            const bin = BINS[draw(BINS.length)] ?? '1m';
            expectSame(await answered(place, bin), expected([...arrived], bin, zone), `answer ${bin}`);
          }
          await rollUpAll(limits);
          for (const bin of BINS) {
            const wanted = expected(readings, bin, zone);
            expectSame(await stored(place, bin), wanted, `stored ${bin}`);
            expectSame(await answered(place, bin), wanted, `answer ${bin}`);
          }
        },
      ),
      { numRuns: Number(process.env['ROLL_UP_RUNS'] ?? 8), endOnFailure: true },
    );
  }, 280_000);

  it('are made once when two workers are at it, and as well when both are cut off in the middle again and again', async () => {
    const place = await aSite();
    const start = Date.UTC(2026, 4, 1, 12);
    const readings = Array.from({ length: 2_400 }, (_, n) => ({
      ...{ at: start + 5_000 * n, l1V: 118 + (n % 5), l1W: 40 * (n % 100) - 500, l2W: 300, importWh: n },
    }));
    for (let n = 0; n < readings.length; n += 300) await insert(place, readings.slice(n, n + 300));
    let isDone = false;
    let cuts = 0;
    const cutting = (async () => {
      while (!isDone && cuts < 10) {
        const cut = await owner.pool.query(
          `select pg_terminate_backend(pid) from pg_stat_activity
           where datname = current_database() and state = 'active' and query like '%rollup_due%' and pid <> pg_backend_pid()`,
        );
        cuts += cut.rowCount ?? 0;
        await new Promise((resolve) => setTimeout(resolve, 30));
      }
    })();
    const work = async () => {
      while (!isDone) {
        const done = await rollUp(ingest.pool, { readings: 300, stretches: 50 }, LONG_AFTER).catch(
          () => undefined,
        );
        if (done?.isDone === true) isDone = true;
      }
    };
    await Promise.all([work(), work(), cutting]);
    expect(cuts).toBeGreaterThan(0);
    await rollUpAll();
    for (const bin of BINS)
      expectSame(await stored(place, bin), expected(readings, bin, place.timeZone), bin);
  });

  it('do not change when they are made again', async () => {
    const place = await aSite();
    const start = Date.UTC(2026, 4, 2, 12);
    await insert(
      place,
      Array.from({ length: 800 }, (_, n) => ({ at: start + 5_000 * n, l1W: n * 1.1 })),
    );
    await rollUpAll();
    const everything = async () =>
      Promise.all(
        BINS.map(async (bin) => {
          const found = await owner.pool.query(`select * from meter_${bin} where site_no = $1 order by at`, [
            place.siteNo,
          ]);
          return found.rows;
        }),
      );
    const before = await everything();
    await owner.pool.query(
      `insert into rollup_due select site_no, device_no, 'meter', '1m', at from meter_1m where site_no = $1`,
      [place.siteNo],
    );
    expect((await rollUpAll()).isDone).toBe(true);
    expect(await everything()).toEqual(before);
  });

  it('have other days once the site is said to lie in another time zone', async () => {
    const place = await aSite('America/New_York');
    const readings = [4, 5, 6, 7, 8].map((hour) => ({ at: Date.UTC(2026, 0, 15, hour), l1V: 120 }));
    await insert(place, readings);
    await rollUpAll();
    expectSame(await stored(place, '1d'), expected(readings, '1d', 'America/New_York'), 'before');
    await owner.pool.query(
      `update site set config = config || '{"timeZone": "America/Denver"}' where no = $1`,
      [place.siteNo],
    );
    await rollUpAll();
    expectSame(await stored(place, '1d'), expected(readings, '1d', 'America/Denver'), 'after');
  });
});

describe('energy', () => {
  it('of power that crosses the hour is shared out at the hour', async () => {
    // By hand: 600 W to 1000 W in 20 s, 800 W at the hour; (600 + 800) / 2 W * 10 s and (800 + 1000) / 2 W * 10 s.
    const place = await aSite();
    const hour = Date.UTC(2026, 4, 3, 13);
    await insert(place, [
      { at: hour - 10_000, l1W: 600 },
      { at: hour + 10_000, l1W: 1000 },
    ]);
    await rollUpAll();
    for (const bin of ['1m', '15m', '1h'] as const) {
      const rows = [...(await stored(place, bin)).values()].map((row) => row['l1.p.energy-pos'] ?? 0);
      expect(rows[0]).toBeCloseTo(7000 / 3600, 5);
      expect(rows[1]).toBeCloseTo(9000 / 3600, 5);
    }
  });

  it('of a sine over a day is peak times period over pi, either way', async () => {
    // The definite integral of a half-wave: 1000 W * 24 h / pi = 7639.44 Wh above zero, and as much below.
    const place = await aSite('Etc/UTC');
    const start = Date.UTC(2026, 4, 4);
    const readings = Array.from({ length: 1_441 }, (_, n) => ({
      at: start + 60_000 * n,
      l1W: 1000 * Math.sin((2 * Math.PI * n) / 1_440),
      periodS: 60,
    }));
    await insert(place, readings);
    await rollUpAll();
    const day = (await stored(place, '1d')).get(start);
    expect(day?.['l1.p.energy-pos']).toBeCloseTo(7639.44, 1);
    expect(day?.['l1.p.energy-neg']).toBeCloseTo(7639.44, 1);
    expect(day?.covered).toBe(86_400);
  });

  it('is not made up for a gap of more than five periods', async () => {
    const place = await aSite();
    const start = Date.UTC(2026, 4, 5, 12);
    await insert(
      place,
      [0, 25, 51].map((second) => ({ at: start + second * 1000, l1W: 3600 })),
    );
    await rollUpAll();
    expect((await stored(place, '1m')).get(start)).toMatchObject({ covered: 25, 'l1.p.energy-pos': 25 });
  });

  it('that ran across a gap is taken back when a reading comes into the gap', async () => {
    const start = Date.UTC(2026, 4, 5, 18);
    // The last promises ten minutes, and is reached from the first; the two between, which promise none, are not.
    const outer = [
      { at: start, l1W: 3600 },
      { at: start + 1_000_000, l1W: 3600, periodS: 600 },
    ];
    for (const between of [[500], [970, 1010]]) {
      const place = await aSite();
      await insert(place, outer);
      await rollUpAll();
      const inner = between.map((second) => ({ at: start + second * 1000, l1W: 0 }));
      await insert(place, inner);
      await rollUpAll();
      expectSame(
        await stored(place, '1m'),
        expected([...outer, ...inner], '1m', place.timeZone),
        `${between}`,
      );
    }
  });

  it("is held against the meter's own registers, which are said to differ where they do", async () => {
    const start = Date.UTC(2026, 4, 6, 12);
    const differs = async (shareCounted: number) => {
      const place = await aSite();
      // 2 kW in on L1, 500 W out on L2: a register of both legs counts 1500 Wh an hour.
      const readings = Array.from({ length: 721 }, (_, n) => ({
        ...{
          at: start + 5_000 * n,
          l1W: 2000,
          l2W: -500,
          importWh: 70_000 + (shareCounted * 1500 * n) / 720,
        },
      }));
      await insert(place, readings);
      await rollUpAll();
      const names = ['import.moved', 'import.excess', 'registers.differ'];
      return (await answered(place, '1h', names)).get(start);
    };
    const almost = (wh: number) => expect.closeTo(wh, 1);
    expect(await differs(1)).toEqual({
      'import.moved': almost(1500),
      'import.excess': almost(0),
      'registers.differ': false,
    });
    expect(await differs(0.97)).toMatchObject({ 'import.excess': almost(45), 'registers.differ': false });
    expect(await differs(0.5)).toMatchObject({ 'import.excess': almost(750), 'registers.differ': true });
  });
});

describe('retention', () => {
  const KEEP = { readingDays: 35, minuteDays: 90, coarseDays: 3650 };
  const start = Date.UTC(2025, 5, 10, 12);
  const now = start + 40 * 86_400_000;
  const first = [0, 5, 10, 15].map((second) => ({ at: start + second * 1000, l1W: 1000, l1V: 120 }));
  const partitions = async () => {
    const found = await owner.pool.query(
      `select from pg_class where relname = 'meter_reading_20250610' and relkind = 'r'`,
    );
    return found.rowCount;
  };

  it('drops readings only once they are rolled up, and what comes later fills gaps but changes no full stretch', async () => {
    const place = await aSite();
    await insert(place, first);
    expect(await keepUp(ingest.pool, now, KEEP)).toMatchObject({ isWaiting: true });
    expect(await partitions()).toBe(1);
    await rollUpAll(LIMITS, start + 1000);
    expect(await keepUp(ingest.pool, now, KEEP)).toMatchObject({ isWaiting: true });
    await rollUpAll();
    expect(await keepUp(ingest.pool, now, KEEP)).toMatchObject({ isWaiting: false });
    expect(await partitions()).toBe(0);

    // One reading again, one more of the same minute, and the quarter of an hour that nobody had heard of.
    const backlog = [1200, 1205, 1210].map((second) => ({ at: start + second * 1000, l1W: 500, l1V: 118 }));
    await insert(place, [{ at: start, l1W: 9 }, { at: start + 20_000, l1W: 9 }, ...backlog]);
    await rollUpAll();
    for (const bin of BINS) {
      const known = expected([...first, ...backlog], bin, place.timeZone);
      expectSame(await stored(place, bin), known, bin);
      expectSame(await answered(place, bin), known, `answer ${bin}`);
    }
    expect(await keepUp(ingest.pool, now, KEEP)).toMatchObject({ isWaiting: false });
    expect(await partitions()).toBe(0);
  });

  it('drops minutes by the month, and what is made of them stays', async () => {
    const place = await aSite();
    await insert(place, first);
    await rollUpAll();
    await keepUp(ingest.pool, now + 90 * 86_400_000, KEEP);
    expect((await stored(place, '1m')).size).toBe(0);
    for (const bin of ['15m', '1h', '1d'] as const) {
      expectSame(await answered(place, bin), expected(first, bin, place.timeZone), bin);
    }
    // A quarter of an hour that stands stays; another one is made of what came late, and so the hour is.
    const later = [60, 65, 1260, 1265].map((second) => ({ at: start + second * 1000, l1W: 700, l1V: 121 }));
    await insert(place, later);
    await rollUpAll();
    const known = [...first, ...later.slice(2)];
    for (const bin of ['15m', '1h', '1d'] as const) {
      expectSame(await stored(place, bin), expected(known, bin, place.timeZone), bin);
    }
  });
});
