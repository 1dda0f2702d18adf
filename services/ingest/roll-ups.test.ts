// Readings and roll-ups beside each other: readings come first, and every one of them is rolled up in the end.

import { createLogger } from '@afterwatt/runtime';
import { topicOf } from '@afterwatt/wire';
import { afterEach, describe, expect, it, vi } from 'vitest';
import { createTestDatabase } from '../../test/support/database.ts';
import { registerSite } from '../../test/support/register.ts';
import { ingestMetrics } from './metrics.ts';
import { keepRolledUp } from './roll-ups.ts';
import { SITE, startTestIngest } from './test-support.ts';

const PERIOD_MS = 5_000;
const PATIENT = { timeout: 100_000, interval: 100 };

/** Readings every 5 s, stored but not rolled up: as after a restart, or after much came at once. */
const BACKLOG = `
  insert into meter_reading (site_no, device_no, at, l1_w)
  select d.site_no, d.no, $1::timestamptz + n * interval '5 s', 500
  from device d, generate_series(0, $2::integer - 1) n where d.id = 'meter-1'`;

describe('roll-ups', async () => {
  const database = await createTestDatabase();
  const owner = database.connect();
  const ingest = database.connect('afterwatt_ingest');
  await registerSite(owner, { id: 'elm-1', name: 'Elm', timeZone: 'America/New_York' });
  afterEach(() => vi.useRealTimers());

  async function store(fromMs: number, readings: number): Promise<void> {
    await owner.pool.query('select ensure_reading_partitions($1)', [new Date(fromMs)]);
    await owner.pool.query(BACKLOG, [new Date(fromMs), readings]);
  }
  async function rolledReadings(fromMs: number, readings: number): Promise<number> {
    const found = await owner.pool.query<{ n: number }>(
      'select coalesce(sum(readings), 0) as n from meter_1m where at >= $1 and at < $2',
      [new Date(fromMs), new Date(fromMs + readings * PERIOD_MS)],
    );
    return found.rows[0]?.n ?? 0;
  }
  /** Busy until it is told otherwise; `asked` settles once the roll-ups have asked for leave so many times. */
  function busyWorker() {
    let isBusy = true;
    let asked = 0;
    let onAsked = () => {};
    return {
      isBusy: () => {
        asked += 1;
        onAsked();
        return isBusy;
      },
      rest: () => {
        isBusy = false;
      },
      asked: (times: number) =>
        new Promise<void>((resolve) => {
          onAsked = () => {
            if (asked >= times) resolve();
          };
        }),
    };
  }
  function keep(isBusy: () => boolean) {
    const failed: unknown[] = [];
    const metrics = ingestMetrics();
    const fail = (error: unknown) => failed.push(error);
    const stop = keepRolledUp({
      ...{ pool: ingest.pool, metrics, isBusy, fail },
      log: createLogger('ingest', 'silent'),
    });
    return {
      /** Of the metrics: readings noted, and stretches of 1 min made. */
      async counted() {
        const value = async (metric: { get(): Promise<{ values: { value: number; labels: object }[] }> }) =>
          (await metric.get()).values;
        const [readings] = await value(metrics.rolledReadings);
        const minutes = (await value(metrics.rolledUp)).find(
          ({ labels }) => 'bin' in labels && labels.bin === '1m',
        );
        return { readings: readings?.value ?? 0, minutes: minutes?.value ?? 0 };
      },
      async stop() {
        await stop();
        expect(failed).toEqual([]);
      },
    };
  }

  it('wait while readings wait to be written, and are all made once none do; the metrics count them', async () => {
    const fromMs = Date.UTC(2026, 0, 5);
    await store(fromMs, 720);
    const worker = busyWorker();
    const rollUps = keep(worker.isBusy);
    await worker.asked(3);
    expect(await rolledReadings(fromMs, 720)).toBe(0);
    expect(await rollUps.counted()).toEqual({ readings: 0, minutes: 0 });
    worker.rest();
    await expect.poll(() => rolledReadings(fromMs, 720), PATIENT).toBe(720);
    await rollUps.stop();
    // An hour has sixty minutes, and the last reading may reach into one more.
    expect(await rollUps.counted()).toEqual({ readings: 720, minutes: 61 });
  });

  it('go on after ten minutes of a worker that is never at rest', async () => {
    const fromMs = Date.UTC(2026, 0, 6);
    await store(fromMs, 720);
    vi.useFakeTimers({ toFake: ['Date'] });
    const worker = busyWorker();
    const rollUps = keep(worker.isBusy);
    await worker.asked(2);
    expect(await rolledReadings(fromMs, 720)).toBe(0);
    vi.setSystemTime(Date.now() + 10 * 60_000);
    await expect.poll(() => rolledReadings(fromMs, 720), PATIENT).toBe(720);
    await rollUps.stop();
  });
});

describe('readings at full speed onto a backlog of roll-ups', () => {
  const PACKS = 300;
  const READINGS_A_PACK = 60;
  const BACKLOG_READINGS = 30_000;
  /** Each transaction of a step that makes or notes something: once for the notes, once a kind and length. */
  const TRANSACTIONS_A_STEP = 9;

  it('are not held up by it, and both are rolled up afterwards', async () => {
    const t = await startTestIngest();
    const hourMs = Math.floor(Date.now() / 3_600_000) * 3_600_000;
    const backlogMs = hourMs - 5 * 86_400_000;
    const flowMs = hourMs - 50 * 3_600_000;
    // Who rolls up leaves its transaction's number, as every reading has the one of its batch.
    await t.rows(`create table rolling (tx bigint not null);
      create function note_rolling() returns trigger language plpgsql security definer as
        $$ begin insert into rolling values (current_tx()); return null; end $$;
      create trigger note after insert or delete on rollup_due for each statement execute function note_rolling()`);
    for (let day = -5; day <= 0; day++) {
      await t.rows('select ensure_reading_partitions($1)', [new Date(hourMs + day * 86_400_000)]);
    }
    await t.rows(BACKLOG, [new Date(backlogMs), BACKLOG_READINGS]);

    const gateway = await t.client(t.gateway);
    const begun = async () => (await t.rows('select from rolling limit 1')).length;
    await expect.poll(begun, { ...PATIENT, interval: 10 }).toBe(1);
    const topic = topicOf({ site: SITE, device: 'meter-1', kind: 'readings' });
    await Promise.all(
      Array.from({ length: PACKS }, (_, pack) => {
        const fromMs = flowMs + pack * READINGS_A_PACK * PERIOD_MS;
        const records = Array.from({ length: READINGS_A_PACK }, (_, at) => ({
          ...(at === 0 ? { bn: 'meter-1/', bt: fromMs / 1000 } : {}),
          ...{ n: 'l1.p', u: 'W', v: 500, t: (at * PERIOD_MS) / 1000 },
        }));
        return gateway.publishAsync(topic, JSON.stringify(records), { qos: 1 });
      }),
    );

    const [flow] = await t.rows<{ readings: number; batches: number; steps: number }>(
      `with batch as (select tx, count(*) as readings from meter_reading where at >= $1 group by tx)
       select sum(readings)::int as readings, count(*)::int as batches,
         (select count(distinct tx) from rolling where tx between min(batch.tx) and max(batch.tx))::int as steps
       from batch`,
      [new Date(flowMs)],
    );
    expect(flow?.readings).toBe(PACKS * READINGS_A_PACK);
    // A batch waits for one step of theirs at the most.
    expect(flow?.steps).toBeLessThanOrEqual(TRANSACTIONS_A_STEP * (flow?.batches ?? 0));
    const rolled = async () => (await t.rows<{ n: number }>('select sum(readings) as n from meter_1m'))[0]?.n;
    await expect.poll(rolled, PATIENT).toBe(PACKS * READINGS_A_PACK + BACKLOG_READINGS);
    await t.stop();
  }, 150_000);
});
