// Two meters that were offline for a week send what they kept, in packs of an hour, while the rest of the fleet goes
// on as always. The delays are printed; what is asserted are counts, which no busy machine changes.

import { setTimeout as sleep } from 'node:timers/promises';
import { freePort } from '@afterwatt/store';
import { topicOf } from '@afterwatt/wire';
import mqtt from 'mqtt';
import { afterEach, beforeEach, expect, it } from 'vitest';
import { type OwnPostgres, startOwnPostgres } from '../support/own-postgres.ts';
import { makeCredentials, registerSite, type TestCredentials } from '../support/register.ts';
import { serviceProcess } from '../support/service-process.ts';

const PERIOD_S = 5;
const HOUR_S = 3_600;
const WEEK_S = 7 * 86_400;
const OFFLINE_METERS = 2;
/** One reading of some live meter this often: a thousand homes with a meter and a battery send as much. */
const LIVE_EVERY_MS = 4;
const CALM_MS = 8_000;

let postgres: OwnPostgres;
const undo: (() => Promise<unknown>)[] = [];
beforeEach(async () => {
  postgres = await startOwnPostgres();
  undo.push(() => postgres.stop());
});
afterEach(async () => {
  for (const release of undo.splice(0).reverse()) await release();
});

async function aMeter(site: string): Promise<{ topic: string; credentials: TestCredentials }> {
  const siteNo = await registerSite(postgres.owner, { id: site, name: site, timeZone: 'America/Denver' });
  const credentials = await makeCredentials(postgres.owner, { siteNo, device: 'meter-1' });
  return { topic: topicOf({ site, device: 'meter-1', kind: 'readings' }), credentials };
}

function connect(port: number, { username, secret }: TestCredentials): Promise<mqtt.MqttClient> {
  return mqtt.connectAsync(`mqtt://127.0.0.1:${port}`, { protocolVersion: 5, username, password: secret });
}

/** Readings from `fromS` on, as a meter keeps them. */
function packOf(fromS: number, readings: number): string {
  const records = Array.from({ length: readings }, (_, index) => [
    { n: 'l1.v', v: 120 + (index % 30) / 10, t: index * PERIOD_S },
    { n: 'l1.p', v: 300 + ((index * 37) % 900), t: index * PERIOD_S },
  ]).flat();
  const [first, ...rest] = records;
  return JSON.stringify([{ bn: 'meter-1/', bt: fromS, ...first }, ...rest]);
}

function quantile(values: readonly number[], q: number): number {
  return values.toSorted((a, b) => a - b)[Math.floor(q * (values.length - 1))] ?? 0;
}

it("a week's backlog does not hold up live readings, and finds its days", async () => {
  const port = await freePort();
  const ingest = serviceProcess('ingest', {
    DATABASE_URL: postgres.url,
    MQTT_PORT: `${port}`,
    MQTT_HOST: '127.0.0.1',
  });
  undo.push(() => ingest.kill());
  const lives = await Promise.all(Array.from({ length: 20 }, (_, index) => aMeter(`live-${index}`)));
  const offline = await Promise.all(
    Array.from({ length: OFFLINE_METERS }, (_, index) => aMeter(`offline-${index}`)),
  );
  await ingest.start();
  const clients = await Promise.all(lives.map(({ credentials }) => connect(port, credentials)));

  // Live: at a steady pace, whatever becomes of the ones before.
  const live = { published: 0, acknowledged: 0, on: true, delaysMs: [] as number[] };
  const nowS = Math.floor(Date.now() / 1_000);
  const living = (async () => {
    for (; live.on; await sleep(LIVE_EVERY_MS)) {
      const index = live.published++;
      const topic = lives[index % lives.length]?.topic ?? '';
      const atMs = performance.now();
      void clients[index % lives.length]
        ?.publishAsync(topic, packOf(nowS - 30_000 + index, 1), { qos: 1 })
        .then(() => {
          live.acknowledged++;
          live.delaysMs.push(performance.now() - atMs);
        });
    }
  })();
  await sleep(CALM_MS);
  const calm = live.delaysMs.splice(0);

  const atStart = { ...live };
  const weekAgoS = Math.floor(nowS / HOUR_S) * HOUR_S - WEEK_S;
  const startedMs = performance.now();
  await Promise.all(
    offline.map(async ({ topic, credentials }) => {
      const device = await connect(port, credentials);
      for (let fromS = weekAgoS; fromS < weekAgoS + WEEK_S; fromS += HOUR_S) {
        await device.publishAsync(topic, packOf(fromS, HOUR_S / PERIOD_S), { qos: 1 });
      }
      await device.endAsync();
    }),
  );
  const during = live.delaysMs.splice(0);
  const seconds = (performance.now() - startedMs) / 1_000;
  const acknowledged = live.acknowledged - atStart.acknowledged;
  const published = live.published - atStart.published;
  live.on = false;
  await living;
  const shown = (name: string, delays: readonly number[]) =>
    `${name}: ${delays.length} readings, p50 ${quantile(delays, 0.5).toFixed(0)} ms, ` +
    `p99 ${quantile(delays, 0.99).toFixed(0)} ms, longest ${quantile(delays, 1).toFixed(0)} ms`;
  console.log(
    `${shown('live alone', calm)}\n${shown(`beside a backlog of ${seconds.toFixed(1)} s`, during)}`,
  );

  // They were answered as they came, not once the backlog was through.
  expect(acknowledged).toBeGreaterThan(0.8 * published);
  await expect.poll(() => live.acknowledged, { timeout: 60_000 }).toBe(live.published);
  const found = await postgres.owner.pool.query<{ readings: number; days: number }>(
    `select count(*) as readings, count(distinct date_trunc('day', at)) as days from meter_reading
     where site_no in (select no from site where id like 'offline-%')`,
  );
  expect(found.rows[0]?.readings).toBe((OFFLINE_METERS * WEEK_S) / PERIOD_S);
  expect(found.rows[0]?.days).toBeGreaterThanOrEqual(7);
  for (const client of clients) client.end(true);
  expect(await ingest.stop(), ingest.output()).toBe(0);
}, 300_000);
