// The rules worker against a real Postgres: committed readings become incidents once, whoever holds the shards.

import { createLogger, type Started } from '@afterwatt/runtime';
import { type BatteryReading, emptyBatteryReading, type SiteInput } from '@afterwatt/wire';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { createTestDatabase } from '../../test/support/database.ts';
import { registerSite } from '../../test/support/register.ts';
import { start } from './start.ts';

const MINUTE_MS = 60_000;
const log = createLogger('test', 'silent');
const database = await createTestDatabase();
const owner = database.connect();
const writer = database.connect('afterwatt_ingest');
const running: Started[] = [];

/** Minutes of a battery's state of charge, one reading every 30 s. */
type Story = readonly { readonly fromMin: number; readonly toMin: number; readonly socPct: number }[];

afterEach(async () => {
  for (const started of running.splice(0)) await started.stop();
});

async function startRules(): Promise<Started> {
  const started = await start(
    {
      databaseUrl: database.url,
      logLevel: 'silent',
      pollMs: 20,
      windowReadings: 500,
      leaseMs: 1_500,
      checkpointMs: 1_000,
    },
    log,
  );
  running.push(started);
  return started;
}

function site(id: string): SiteInput {
  return { id, name: id, timeZone: 'America/Denver', batteries: [{ device: 'battery-1', inlet: 1 }] };
}

/** Commits readings and, in a transaction of its own, a pulse, as ingest does. */
async function commit(siteNo: number, readings: readonly BatteryReading[], pulseMs: number): Promise<void> {
  const days = new Set(readings.map((reading) => new Date(reading.at).toISOString().slice(0, 10)));
  for (const day of days) await writer.pool.query('select ensure_reading_partitions($1)', [day]);
  await writer.pool.query(
    `insert into battery_reading (site_no, device_no, at, tx, soc_pct, ac_w, grid_present)
     select $1, (select no from device where site_no = $1 and id = 'battery-1'), at, current_tx(), soc_pct, 0, true
     from unnest($2::timestamptz[], $3::real[]) as r (at, soc_pct)`,
    [siteNo, readings.map(({ at }) => new Date(at)), readings.map(({ socPct }) => socPct)],
  );
  await writer.pool.query(
    `insert into meter_reading (site_no, device_no, at, tx, l1_v)
     select $1, (select no from device where site_no = $1 and id = 'meter-1'), at, current_tx(), 120
     from unnest($2::timestamptz[]) as r (at)`,
    [siteNo, readings.map(({ at }) => new Date(at))],
  );
  await writer.pool.query(`insert into pulse (at, worker) values ($1, 'test')`, [new Date(pulseMs)]);
}

function tell(story: Story, startMs: number): BatteryReading[] {
  return story.flatMap(({ fromMin, toMin, socPct }) => {
    const readings: BatteryReading[] = [];
    for (let at = startMs + fromMin * MINUTE_MS; at < startMs + toMin * MINUTE_MS; at += MINUTE_MS / 2) {
      const reading = emptyBatteryReading('battery-1', at);
      reading.socPct = socPct;
      reading.acW = 0;
      reading.gridPresent = true;
      readings.push(reading);
    }
    return readings;
  });
}

async function incidents(siteNo: number) {
  return owner.db
    .selectFrom('incident')
    .select(['kind', 'state', 'late', 'onset_at', 'cleared_why'])
    .where('site_no', '=', siteNo)
    .where('kind', '=', 'reserve-low')
    .orderBy('detected_at')
    .execute();
}

const DAY_MS = 24 * 60 * MINUTE_MS;
/** The present of a test, on a whole minute. Each test has its own day, because the ingest's clock never goes back. */
let nowMs = Math.floor(Date.now() / MINUTE_MS) * MINUTE_MS - 10 * DAY_MS;
beforeEach(() => {
  nowMs += DAY_MS;
});

describe('the rules worker', () => {
  it('raises one incident for a reserve that drains, and clears it when it is full again', async () => {
    database.keepOnFailure();
    const siteNo = await registerSite(owner, site('drains'));
    await startRules();
    const startMs = nowMs - 60 * MINUTE_MS;
    const story = tell(
      [
        { fromMin: 0, toMin: 5, socPct: 60 },
        { fromMin: 5, toMin: 30, socPct: 12 },
        { fromMin: 30, toMin: 40, socPct: 40 },
      ],
      startMs,
    );
    for (const reading of story) await commit(siteNo, [reading], reading.at);
    await expect
      .poll(() => incidents(siteNo), { timeout: 30_000 })
      .toMatchObject([
        { kind: 'reserve-low', state: 'cleared', late: false, onset_at: new Date(startMs + 5 * MINUTE_MS) },
      ]);
  });

  it('marks an incident late when its readings came long after their time', async () => {
    const siteNo = await registerSite(owner, site('late'));
    await startRules();
    const story = tell([{ fromMin: 0, toMin: 30, socPct: 12 }], nowMs - 7 * DAY_MS);
    await commit(siteNo, story, nowMs);
    // No more comes: the backlog is judged once the site has been quiet.
    for (let pulse = 1; pulse <= 4; pulse++) await commit(siteNo, [], nowMs + pulse * 5_000);
    await expect
      .poll(() => incidents(siteNo), { timeout: 30_000 })
      .toMatchObject([{ kind: 'reserve-low', state: 'active', late: true }]);
  });

  it('hands its shards on when it dies, and the next one repeats nothing', async () => {
    const siteNo = await registerSite(owner, site('handed-on'));
    const first = await startRules();
    const startMs = nowMs - 120 * MINUTE_MS;
    const story = tell(
      [
        { fromMin: 0, toMin: 40, socPct: 12 },
        { fromMin: 40, toMin: 60, socPct: 50 },
      ],
      startMs,
    );
    const half = story.length / 2;
    for (const reading of story.slice(0, half)) await commit(siteNo, [reading], reading.at);
    await expect.poll(() => incidents(siteNo), { timeout: 30_000 }).toMatchObject([{ state: 'active' }]);
    await startRules();
    await first.stop();
    for (const reading of story.slice(half)) await commit(siteNo, [reading], reading.at);
    await expect.poll(() => incidents(siteNo), { timeout: 30_000 }).toMatchObject([{ state: 'cleared' }]);
    const transitions = await owner.pool.query<{ type: string; n: number }>(
      `select t.type, count(*) as n from incident_transition t join incident i on i.id = t.incident_id
       where i.site_no = $1 and i.kind = 'reserve-low' and t.type <> 'updated' group by 1 order by 1`,
      [siteNo],
    );
    expect(transitions.rows).toEqual([
      { type: 'cleared', n: 1 },
      { type: 'raised', n: 1 },
    ]);
  });

  it('shares the shards between two workers, and takes all of them again when one is gone', async () => {
    const holders = async () => {
      const found = await owner.pool.query<{ n: number }>(
        'select count(*) as n from shard where lease_until > now() group by holder order by 1',
      );
      return found.rows.map((row) => row.n);
    };
    await startRules();
    await expect.poll(holders, { timeout: 30_000 }).toEqual([64]);
    const second = await startRules();
    await expect.poll(holders, { timeout: 30_000 }).toEqual([32, 32]);
    await second.stop();
    await expect.poll(holders, { timeout: 30_000 }).toEqual([64]);
  });

  it('takes on an incident that stands when the detector state behind it is lost', async () => {
    const siteNo = await registerSite(owner, site('state-lost'));
    const first = await startRules();
    const startMs = nowMs - 90 * MINUTE_MS;
    const low = tell([{ fromMin: 0, toMin: 20, socPct: 12 }], startMs);
    for (const reading of low) await commit(siteNo, [reading], reading.at);
    await expect.poll(() => incidents(siteNo), { timeout: 30_000 }).toMatchObject([{ state: 'active' }]);
    await first.stop();
    // As after an upgrade whose detectors no longer read the old state.
    await owner.pool.query(`update detector_state set state = '{}' where site_no = $1`, [siteNo]);
    await startRules();
    const still = tell([{ fromMin: 20, toMin: 25, socPct: 12 }], startMs);
    for (const reading of still) await commit(siteNo, [reading], reading.at);
    const well = tell([{ fromMin: 25, toMin: 35, socPct: 50 }], startMs);
    for (const reading of well) await commit(siteNo, [reading], reading.at);
    await expect
      .poll(() => incidents(siteNo), { timeout: 30_000 })
      .toMatchObject([{ state: 'cleared', cleared_why: 'returned to normal' }]);
  });

  it('tells the silence of a whole region once, and their own again for those that stay silent', async () => {
    const sites: number[] = [];
    for (let index = 0; index < 12; index++) {
      sites.push(await registerSite(owner, { ...site(`north-${index}`), region: 'north' }));
    }
    await startRules();
    const startMs = nowMs - 60 * MINUTE_MS;
    const minute = async (fromMin: number, toMin: number, silent: readonly number[]) => {
      for (const reading of tell([{ fromMin, toMin, socPct: 60 }], startMs)) {
        for (const [index, siteNo] of sites.entries()) {
          if (!silent.includes(index)) await commit(siteNo, [reading], reading.at);
        }
      }
    };
    const standing = async () => {
      const found = await owner.pool.query<{ line: string }>(
        `select coalesce(site, 'fleet') || ' ' || kind || ' ' || subject as line from incident
         where state = 'active' and (site like 'north-%' or site is null) order by 1`,
      );
      return found.rows.map((row) => row.line);
    };
    const seven = [0, 1, 2, 3, 4, 5, 6];
    await minute(0, 10, []);
    await minute(10, 25, seven);
    await expect.poll(standing, { timeout: 30_000 }).toEqual(['fleet fleet-silence region north']);
    // All but one are back.
    await minute(25, 35, [6]);
    await expect
      .poll(standing, { timeout: 30_000 })
      .toEqual(['north-6 device-silent battery-1', 'north-6 device-silent meter-1']);
  }, 120_000);

  it('answers a replay: what a longer on-delay would have kept quiet, and what would stand all the same', async () => {
    const siteNo = await registerSite(owner, site('replayed'));
    const startMs = nowMs - 10 * 60 * MINUTE_MS;
    // Low for 15 minutes, and later for an hour.
    const story = tell(
      [
        { fromMin: 0, toMin: 30, socPct: 60 },
        { fromMin: 30, toMin: 45, socPct: 12 },
        { fromMin: 45, toMin: 120, socPct: 60 },
        { fromMin: 120, toMin: 180, socPct: 12 },
        { fromMin: 180, toMin: 200, socPct: 60 },
      ],
      startMs,
    );
    await commit(siteNo, story, nowMs);
    const asked = await owner.db
      .insertInto('replay')
      .values({
        company: 'default',
        asked_by: 'test',
        sites: [siteNo],
        from_at: new Date(startMs),
        to_at: new Date(startMs + 4 * 60 * MINUTE_MS),
        thresholds: JSON.stringify({ 'reserve-low': { onDelayMin: 30 } }),
      })
      .returning('id')
      .executeTakeFirstOrThrow();
    await startRules();
    const answered = () =>
      owner.db.selectFrom('replay').selectAll().where('id', '=', asked.id).executeTakeFirstOrThrow();
    await expect.poll(async () => (await answered()).state, { timeout: 30_000 }).toBe('done');
    const { result, progress } = await answered();
    expect(progress).toBe(1);
    expect(result).toMatchObject({
      comes: [],
      goes: [
        { site: 'replayed', kind: 'reserve-low', onsetAt: new Date(startMs + 30 * MINUTE_MS).toISOString() },
      ],
      stays: [
        { site: 'replayed', kind: 'reserve-low', onsetAt: new Date(startMs + 120 * MINUTE_MS).toISOString() },
      ],
    });
  });

  it('does not take an ingest that was away for silent homes', async () => {
    const siteNo = await registerSite(owner, site('away'));
    await startRules();
    const startMs = nowMs - 120 * MINUTE_MS;
    const silences = () =>
      owner.db
        .selectFrom('incident')
        .select('detected_at')
        .where('site_no', '=', siteNo)
        .where('kind', '=', 'device-silent')
        .execute();
    const before = tell([{ fromMin: 0, toMin: 10, socPct: 60 }], startMs);
    // Half an hour without a pulse; then the devices come back a minute after the ingest.
    const after = tell([{ fromMin: 41, toMin: 50, socPct: 60 }], startMs);
    for (const reading of before) await commit(siteNo, [reading], reading.at);
    await commit(siteNo, [], startMs + 40 * MINUTE_MS);
    for (const reading of after) await commit(siteNo, [reading], reading.at);
    // A silence while the ingest is there is told, so that there is something to wait for.
    for (let minute = 50; minute < 60; minute++) await commit(siteNo, [], startMs + minute * MINUTE_MS);
    await expect.poll(async () => (await silences()).length, { timeout: 30_000 }).toBeGreaterThan(0);
    const first = Math.min(...(await silences()).map((row) => row.detected_at.getTime()));
    expect(first).toBeGreaterThan(startMs + 50 * MINUTE_MS);
  });
});
