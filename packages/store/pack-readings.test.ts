// Closed days are packed: nothing of a reading changes, nothing is lost or doubled, whatever comes meanwhile.

import { isTransient } from '@afterwatt/runtime';
import {
  BATTERY_QUANTITIES,
  emptyBatteryReading,
  emptyMeterReading,
  METER_QUANTITIES,
  type Reading,
} from '@afterwatt/wire';
import fc from 'fast-check';
import { beforeEach, describe, expect, it, vi } from 'vitest';
import { createTestDatabase } from '../../test/support/database.ts';
import { registerSite } from '../../test/support/register.ts';
import { type TestDevice, untilReadable, writeReadings } from '../../test/support/write-readings.ts';
import { asCaller, openSite } from './as-caller.ts';
import { findNextWindow, listReadings, listSiteReadings, SHARD_COUNT } from './committed.ts';
import { type PackedDay, packClosedDays } from './pack-readings.ts';
import { listColumns, QUANTITY_NAMES } from './reading-columns.ts';
import { listHeardDevices, lockSite, markSiteDeleted } from './sites.ts';
import { storedReadings } from './stored-readings.ts';
import { keepUp } from './upkeep.ts';

const database = await createTestDatabase();
beforeEach(() => database.keepOnFailure());
const owner = database.connect();
const ingest = database.connect('afterwatt_ingest');
const rules = database.connect('afterwatt_rules');
const api = database.connect('afterwatt_api');

const HOUR_MS = 3_600_000;
const DAY_MS = 24 * HOUR_MS;
const NOW = Date.UTC(2026, 9, 1);
const OPERATOR = { role: 'operator', company: null, sites: [] } as const;

let sites = 0;
let days = 0;

interface Home {
  readonly id: string;
  readonly meter: TestDevice;
  readonly battery: TestDevice;
}

async function aHome(): Promise<Home> {
  sites += 1;
  const id = `fir-${sites}`;
  const batteries = [{ device: 'battery-1', inlet: 1, capacityWh: 3000, reservePct: 20 }] as const;
  const siteNo = await registerSite(owner, {
    id,
    name: 'Fir',
    timeZone: 'America/Denver',
    batteries: [...batteries],
  });
  const found = await owner.pool.query<{ no: number; kind: string }>(
    'select no, kind from device where site_no = $1',
    [siteNo],
  );
  const device = (kind: string) => ({
    siteNo,
    deviceNo: found.rows.find((one) => one.kind === kind)?.no ?? 0,
  });
  return { id, meter: device('meter'), battery: device('battery') };
}

/** A day that no other test has. */
function aDay(): number {
  days += 1;
  return Date.UTC(2026, 0, 1) + days * 3 * DAY_MS;
}

function aReading(at: number, l1W = 400): Reading {
  return {
    ...emptyMeterReading('meter-1', at),
    l1V: 120.1,
    l1W,
    importWh: at / 1000,
    seq: Math.floor(at / 5000),
  };
}

function everySeconds(count: number, seconds: number, from: number): Reading[] {
  return Array.from({ length: count }, (_, n) => aReading(from + n * seconds * 1000, n));
}

/** As if all that was committed were rolled up and judged: most values here are none that anybody could. */
async function readByAll(): Promise<void> {
  await untilReadable(owner.pool);
  await owner.pool.query(
    'update rollup_state set tx = pg_snapshot_xmin(pg_current_snapshot())::text::bigint - 1',
  );
  await owner.pool.query('update shard set tx = (select tx from rollup_state)');
}

async function pack(by = ingest.pool): Promise<PackedDay[]> {
  const packed: PackedDay[] = [];
  const signal = new AbortController().signal;
  await packClosedDays(by, { nowMs: NOW, afterDays: 8, signal, onDay: (day) => packed.push(day) });
  return packed;
}

async function packAll(): Promise<PackedDay[]> {
  await readByAll();
  return pack();
}

/** Plain and packed rows of a site, as PostgreSQL writes them out, which loses nothing; without the transaction. */
async function contentOf(
  siteNo: number,
  kind: 'meter' | 'battery',
): Promise<{ plain: string[]; packed: string[] }> {
  const columns = (kind === 'meter' ? METER_QUANTITIES : BATTERY_QUANTITIES).map(({ column }) => column);
  const texts = async (from: string) => {
    const found = await owner.pool.query<{ row: string }>(
      `select row(site_no, device_no, at, ${columns.join(', ')})::text as row from ${from} where site_no = $1 order by at`,
      [siteNo],
    );
    return found.rows.map(({ row }) => row);
  };
  return {
    plain: await texts(`${kind}_reading`),
    packed: await texts(
      `(select site_no, device_no, unnest(times) as at, ${columns.map((c) => `unnest(${c}) as ${c}`).join(', ')} from ${kind}_packed) unpacked`,
    ),
  };
}

async function rawOf({ meter }: Home, from: number, to: number) {
  return asCaller(api.db, OPERATOR, async (tx) => {
    await openSite(tx, meter.siteNo);
    return listColumns(tx, {
      ...{ siteNo: meter.siteNo, device: { no: meter.deviceNo, id: 'meter-1', kind: 'meter' } },
      ...{ quantities: QUANTITY_NAMES.meter, bin: 'raw', timeZone: 'UTC', limit: 100_000 },
      ...{ from: new Date(from), to: new Date(to) },
    });
  });
}

const real = fc.float({ noNaN: true });
const some = <T>(values: fc.Arbitrary<T>) => fc.option(values, { freq: 4 });
const WHOLE = fc.maxSafeInteger();
/** A few readings of a day with any values that the columns take, most of them missing in some. */
const someMeterReadings = fc.uniqueArray(
  fc.record({
    at: fc.integer({ min: 0, max: DAY_MS - 1 }),
    values: fc.record(
      Object.fromEntries(
        METER_QUANTITIES.map(({ field, quantity }) => [
          field,
          some(
            quantity === 'seq'
              ? WHOLE
              : ['import', 'export'].includes(quantity)
                ? fc.double({ noNaN: true })
                : real,
          ),
        ]),
      ),
      { requiredKeys: ['l1V'] },
    ),
  }),
  { selector: ({ at }) => at, minLength: 1, maxLength: 30 },
);
const someBatteryReadings = fc.uniqueArray(
  fc.record({
    at: fc.integer({ min: 0, max: DAY_MS - 1 }),
    socPct: some(real),
    gridPresent: some(fc.boolean()),
    stormPreparing: some(fc.boolean()),
    seq: some(WHOLE),
  }),
  { selector: ({ at }) => at, minLength: 1, maxLength: 30 },
);

describe('a packed day', () => {
  it('gives every value back to the last bit, and what was not told as not told', async () => {
    await fc.assert(
      fc.asyncProperty(someMeterReadings, someBatteryReadings, async (meters, batteries) => {
        const home = await aHome();
        const day = aDay();
        await writeReadings(
          ingest.pool,
          home.meter,
          meters.map(({ at, values }) => ({ ...emptyMeterReading('meter-1', 0), ...values, at: day + at })),
        );
        await writeReadings(
          ingest.pool,
          home.battery,
          batteries.map(({ at, ...values }) => ({
            ...emptyBatteryReading('battery-1', day + at),
            ...values,
          })),
        );
        const meter = await contentOf(home.meter.siteNo, 'meter');
        const battery = await contentOf(home.meter.siteNo, 'battery');
        expect(meter.plain).toHaveLength(meters.length);
        const site = {
          siteNo: home.meter.siteNo,
          devices: [
            { no: home.meter.deviceNo, id: 'meter-1' },
            { no: home.battery.deviceNo, id: 'battery-1' },
          ],
        };
        const span = [day + HOUR_MS / 2, day + 20 * HOUR_MS] as const;
        const raw = await rawOf(home, ...span);
        const replayed = await listSiteReadings(rules.pool, site, ...span);
        await packAll();
        expect(await contentOf(home.meter.siteNo, 'meter')).toEqual({ plain: [], packed: meter.plain });
        expect(await contentOf(home.meter.siteNo, 'battery')).toEqual({ plain: [], packed: battery.plain });
        expect(await rawOf(home, ...span)).toEqual(raw);
        expect(await listSiteReadings(rules.pool, site, ...span)).toEqual(replayed);
      }),
      { numRuns: 12, endOnFailure: true },
    );
  }, 120_000);

  it('is read together with plain ones, by the caller who may, and tells when a device was last heard', async () => {
    const home = await aHome();
    const day = aDay();
    await writeReadings(ingest.pool, home.meter, everySeconds(48 * 60, 60, day));
    await writeReadings(ingest.pool, home.meter, everySeconds(60, 60, NOW - DAY_MS));
    const span = [day + 12 * HOUR_MS, NOW] as const;
    const before = await rawOf(home, ...span);
    expect(before.times).toHaveLength(36 * 60 + 60);
    await packAll();
    expect((await contentOf(home.meter.siteNo, 'meter')).plain).toHaveLength(60);
    expect(await rawOf(home, ...span)).toEqual(before);
    const unopened = await asCaller(api.db, OPERATOR, (tx) =>
      tx.selectFrom('meter_packed').select('at').execute(),
    );
    expect(unopened).toEqual([]);
    const silent = await aHome();
    await writeReadings(ingest.pool, silent.meter, [aReading(day + 5_000), aReading(day + 7_250)]);
    await packAll();
    const heard = await asCaller(api.db, OPERATOR, async (tx) => {
      await openSite(tx, silent.meter.siteNo);
      return listHeardDevices(tx, silent.meter.siteNo);
    });
    expect(heard.map(({ id, lastReadingAt }) => [id, lastReadingAt?.getTime()])).toEqual([
      ['battery-1', undefined],
      ['meter-1', day + 7_250],
    ]);
  });

  it('is told whole by who reads just when it takes the place of its plain rows', async () => {
    const home = await aHome();
    const day = aDay();
    const date = new Date(day).toISOString().slice(0, 10);
    await writeReadings(ingest.pool, home.meter, everySeconds(300, 60, day));
    await readByAll();
    const begun = await ingest.pool.query<{ up_to_tx: number }>(
      `select up_to_tx, pack_readings('meter', $1, up_to_tx, 10000, 0, 0, $1::date) from begin_packing('meter', $1, 100)`,
      [date],
    );
    const of = {
      ...{ columns: ['l1_w'], where: `site_no = ${home.meter.siteNo}` },
      ...{ from: `'${date}Z'`, to: `'${date}T12:00Z'` },
    };
    const client = await ingest.pool.connect();
    await client.query('begin');
    await client.query(`select finish_packing('meter', $1, $2)`, [date, begun.rows[0]?.up_to_tx]);
    const reading = [
      rules.pool.query(`select from ${storedReadings('meter', of)}`),
      rules.pool.query(`select from ${storedReadings('meter', { ...of, only: 'last' })}`),
    ];
    // Both wait for the day's lock.
    const waiting = `select from pg_stat_activity where datname = current_database() and wait_event_type = 'Lock'`;
    await vi.waitFor(async () => expect((await owner.pool.query(waiting)).rowCount).toBe(2), 10_000);
    await client.query('commit');
    client.release();
    expect((await Promise.all(reading)).map(({ rowCount }) => rowCount)).toEqual([300, 1]);
  });

  it('is none of the last days, and none whose readings are not rolled up and judged', async () => {
    const home = await aHome();
    const day = aDay();
    await writeReadings(ingest.pool, home.meter, [aReading(day), aReading(NOW - 8 * DAY_MS)]);
    await readByAll();
    const { tx } = (await owner.pool.query<{ tx: number }>('select tx from shard where no = 7')).rows[0] ?? {
      tx: 0,
    };
    await owner.pool.query('update shard set tx = 0 where no = 7');
    expect(await pack()).toEqual([]);
    await owner.pool.query('update shard set tx = $1 where no = 7', [tx]);
    // A saved state that does not have them yet: after a crash they are read again.
    await owner.pool.query(`insert into detector_state (site_no, tx, state) values ($1, 0, '{}')`, [
      home.meter.siteNo,
    ]);
    expect(await pack()).toEqual([]);
    await owner.pool.query('delete from detector_state');
    expect(await pack()).toEqual([
      { kind: 'meter', day: new Date(day).toISOString().slice(0, 10), readings: 1 },
    ]);
  });

  it('goes with its plain rows when it is older than readings are kept', async () => {
    const home = await aHome();
    const day = aDay();
    await writeReadings(ingest.pool, home.meter, [aReading(day), aReading(day + 3 * DAY_MS)]);
    days += 1;
    await packAll();
    await keepUp(ingest.pool, day + 3 * DAY_MS, { readingDays: 2, minuteDays: 90, coarseDays: 3650 });
    expect((await contentOf(home.meter.siteNo, 'meter')).packed).toHaveLength(1);
    const left = await owner.pool.query<{ name: string }>(
      `select relname as name from pg_class where relkind = 'r' and relname ~ '^(meter|battery)_(reading|packed|packing)_' and right(relname, 8) < $1`,
      [new Date(day + DAY_MS).toISOString().slice(0, 10).replaceAll('-', '')],
    );
    expect(left.rows).toEqual([]);
  });
});

describe('a reading that comes late for a packed day', () => {
  it('is stored once, also when it is sent again, is all that the rules see as new, and is packed the next time', async () => {
    const home = await aHome();
    const day = aDay();
    const known = everySeconds(3 * 60, 60, day);
    await writeReadings(ingest.pool, home.meter, known);
    await packAll();
    const before = await contentOf(home.meter.siteNo, 'meter');
    const { tx } = (await owner.pool.query<{ tx: number }>('select tx from rollup_state')).rows[0] ?? {
      tx: 0,
    };

    const late = aReading(day + HOUR_MS + 90_500, 777);
    const inEmptyHour = aReading(day + 9 * HOUR_MS, 778);
    const changed = { ...aReading(day + HOUR_MS), l1W: 999 };
    expect(await writeReadings(ingest.pool, home.meter, [late, inEmptyHour, changed])).toBe(2);
    expect(await writeReadings(ingest.pool, home.meter, [late, ...known])).toBe(0);
    await untilReadable(owner.pool);
    const window = await findNextWindow(rules.pool, tx, 10_000);
    const shards = [...Array(SHARD_COUNT).keys()];
    const seen = await listReadings(rules.pool, window ?? { fromTx: tx, toTx: tx }, shards, () => 'meter-1');
    expect(seen.map(({ reading }) => reading)).toEqual([late, inEmptyHour]);

    await packAll();
    const after = await contentOf(home.meter.siteNo, 'meter');
    expect(after.plain).toEqual([]);
    expect(after.packed).toHaveLength(182);
    expect(after.packed).toEqual(expect.arrayContaining(before.packed));
  });

  it('stays, while the day is being packed, and so does what was packed of its hour', async () => {
    const home = await aHome();
    const day = aDay();
    const date = new Date(day).toISOString().slice(0, 10);
    await writeReadings(ingest.pool, home.meter, everySeconds(5 * 60, 60, day));
    await readByAll();
    const begun = await ingest.pool.query<{ up_to_tx: number }>(
      `select up_to_tx from begin_packing('meter', $1, 100)`,
      [date],
    );
    const upTo = begun.rows[0]?.up_to_tx;
    const place = await ingest.pool.query<{ site: number; readings: number }>(
      `select site, readings from pack_readings('meter', $1, $2, 130, 0, 0, $1::date)`,
      [date, upTo],
    );
    expect(place.rows).toEqual([{ site: home.meter.siteNo, readings: 120 }]);
    // One into an hour that is packed beside, one into an hour that is not.
    await writeReadings(ingest.pool, home.meter, [aReading(day + 500), aReading(day + 4 * HOUR_MS + 500)]);
    await ingest.pool.query(
      `select pack_readings('meter', $1, $2, 10000, $3, $4, $1::date + interval '2 hours')`,
      [date, upTo, home.meter.siteNo, home.meter.deviceNo],
    );
    await ingest.pool.query(`select finish_packing('meter', $1, $2)`, [date, upTo]);
    const { plain, packed } = await contentOf(home.meter.siteNo, 'meter');
    expect([plain.length, packed.length]).toEqual([122, 180]);
    expect(new Set([...plain, ...packed]).size).toBe(302);
    await packAll();
    expect((await contentOf(home.meter.siteNo, 'meter')).packed).toHaveLength(302);
  });
});

describe('packing', () => {
  it('that was killed is done again from the start, and changed nothing', async () => {
    const home = await aHome();
    const day = aDay();
    const date = new Date(day).toISOString().slice(0, 10);
    await writeReadings(ingest.pool, home.meter, everySeconds(300, 60, day));
    await readByAll();
    const before = await contentOf(home.meter.siteNo, 'meter');
    await ingest.pool.query(
      `select pack_readings('meter', $1, up_to_tx, 100, 0, 0, $1::date) from begin_packing('meter', $1, 100)`,
      [date],
    );
    expect(await contentOf(home.meter.siteNo, 'meter')).toEqual(before);
    expect(await pack()).toEqual([{ kind: 'meter', day: date, readings: 300 }]);
    expect(await contentOf(home.meter.siteNo, 'meter')).toEqual({ plain: [], packed: before.plain });
  });

  it('brings nothing back of a site that is deleted meanwhile, and deleting takes what is packed', async () => {
    const [home, other] = [await aHome(), await aHome()];
    const day = aDay();
    const date = new Date(day).toISOString().slice(0, 10);
    for (const { meter } of [home, other])
      await writeReadings(ingest.pool, meter, everySeconds(300, 60, day));
    const remove = ({ id }: Home) =>
      asCaller(api.db, OPERATOR, async (tx) => {
        const site = await lockSite(tx, id);
        if (site !== undefined) await markSiteDeleted(tx, site);
      });
    await readByAll();
    const begun = await ingest.pool.query<{ up_to_tx: number }>(
      `select up_to_tx, pack_readings('meter', $1, up_to_tx, 10000, 0, 0, $1::date) from begin_packing('meter', $1, 100)`,
      [date],
    );
    await remove(home);
    await ingest.pool.query(`select finish_packing('meter', $1, $2)`, [date, begun.rows[0]?.up_to_tx]);
    expect(await contentOf(home.meter.siteNo, 'meter')).toEqual({ plain: [], packed: [] });
    expect((await contentOf(other.meter.siteNo, 'meter')).packed).toHaveLength(300);
    await remove(other);
    expect(await contentOf(other.meter.siteNo, 'meter')).toEqual({ plain: [], packed: [] });
  });

  it('loses and doubles nothing while three writers bring late readings and old ones again, and workers are cut off', async () => {
    const homes = [await aHome(), await aHome()];
    const day = aDay();
    const all = everySeconds(24 * 30, 120, day);
    for (const { meter } of homes)
      await writeReadings(
        ingest.pool,
        meter,
        all.filter((_, n) => n % 3 > 0),
      );
    await readByAll();
    // Sessions of their own: one that is cut off late must not be another test's.
    const cutOff = database.connect('afterwatt_ingest');
    let writing = 3;
    const write = async (seed: number) => {
      for (let n = 0; n < 40; n++) {
        const from = (n * 97 + seed * 31) % all.length;
        const home = homes[(n + seed) % 2] ?? homes[0];
        if (home === undefined) throw new Error('no home');
        // Those of one hour, and of another one far off.
        const some = [
          ...all.slice(from, from + 20),
          ...all.slice((from * 7) % all.length, ((from * 7) % all.length) + 5),
        ];
        for (;;) {
          try {
            await writeReadings(cutOff.pool, home.meter, some);
            break;
          } catch (error) {
            if (!isTransient(error)) throw error;
          }
        }
      }
      writing -= 1;
    };
    const packing = async () => {
      while (writing > 0) {
        await readByAll();
        await pack(cutOff.pool).catch((error: unknown) => {
          if (!isTransient(error)) throw error;
        });
      }
    };
    const cutting = async () => {
      while (writing > 0) {
        await owner.pool.query(
          `select pg_terminate_backend(pid) from pg_stat_activity
           where datname = current_database() and state = 'active' and pid <> pg_backend_pid()
             and query ~ 'pack_readings|finish_packing'`,
        );
        await new Promise((resolve) => setTimeout(resolve, 100));
      }
    };
    await Promise.all([write(0), write(1), write(2), packing(), cutting()]);
    const wanted = new Set<number>();
    for (let n = 0; n < all.length; n++) if (n % 3 > 0) wanted.add(n);
    for (const { meter } of homes) {
      await writeReadings(ingest.pool, meter, all);
      const { plain, packed } = await contentOf(meter.siteNo, 'meter');
      expect(new Set([...plain, ...packed]).size).toBe(all.length);
      expect(plain.length + packed.length).toBe(all.length);
    }
    await packAll();
    for (const { meter } of homes) {
      const { plain, packed } = await contentOf(meter.siteNo, 'meter');
      expect([plain.length, packed.length]).toEqual([0, all.length]);
    }
  }, 60_000);

  it('is done by one worker at a time', async () => {
    const home = await aHome();
    await writeReadings(ingest.pool, home.meter, everySeconds(600, 60, aDay()));
    await readByAll();
    const done = await Promise.all([pack(), pack(), pack()]);
    expect(done.flat().map(({ readings }) => readings)).toEqual([600]);
    expect((await contentOf(home.meter.siteNo, 'meter')).packed).toHaveLength(600);
  });
});
