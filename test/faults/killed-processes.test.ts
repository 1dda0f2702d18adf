// Ingest, rules and Postgres are killed in the middle of traffic, each three times. Afterwards every acknowledged
// reading is there once, and the incidents are those of an undisturbed run.

import { freePort } from '@afterwatt/store';
import { type SiteInput, topicOf } from '@afterwatt/wire';
import mqtt from 'mqtt';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { type OwnPostgres, startOwnPostgres } from '../support/own-postgres.ts';
import { makeCredentials, registerSite } from '../support/register.ts';
import { serviceProcess } from '../support/service-process.ts';

const SITES = 24;
const MINUTES = 40;
const SECOND_MS = 1000;
/** Long enough ago that all of it is a backlog, so that both runs judge the very same device times. */
const FROM_MS = Math.floor(Date.now() / 60_000) * 60_000 - 3 * 3_600_000;

interface Sent {
  readonly topic: string;
  readonly payload: string;
}

/** A meter at 5 s and a battery at 10 s; every third site's inlet runs over its cap for a while, every fourth's battery is below its reserve. */
function messagesOf(site: number): Sent[] {
  const id = siteId(site);
  const meter = topicOf({ site: id, device: 'meter-1', kind: 'readings' });
  const battery = topicOf({ site: id, device: 'battery-1', kind: 'readings' });
  const messages: Sent[] = [];
  for (let second = 0; second < MINUTES * 60; second += 5) {
    const at = FROM_MS / SECOND_MS + second;
    const over = site % 3 === 0 && second >= 600 && second < 900;
    const inletW = over ? 1980 : 600;
    // Loads wander a little, and never repeat: nothing here is a flat line.
    const houseW = 400 + ((second * 37 + site * 101) % 97);
    messages.push({
      topic: meter,
      payload: JSON.stringify([
        { bt: at, n: 'l1.v', u: 'V', v: 120.2 },
        { n: 'l2.v', u: 'V', v: 120.4 },
        { n: 'l1.p', u: 'W', v: houseW + inletW },
        { n: 'l2.p', u: 'W', v: houseW },
        { n: 'inlet1.p', u: 'W', v: inletW },
        { n: 'inlet1.i', u: 'A', v: inletW / 120 },
      ]),
    });
    if (second % 10 !== 0) continue;
    const low = site % 4 === 0 && second >= 300;
    messages.push({
      topic: battery,
      payload: JSON.stringify([
        { bt: at, n: 'soc', u: '%EL', v: low ? 12 : 60 },
        { n: 'ac.p', u: 'W', v: low ? 0 : inletW },
        { n: 'grid', vb: true },
      ]),
    });
  }
  return messages;
}

function siteId(site: number): string {
  return `kill-${site}`;
}

function siteOf(site: number): SiteInput {
  return {
    id: siteId(site),
    name: siteId(site),
    timeZone: 'America/Denver',
    batteries: [{ device: 'battery-1', inlet: 1 }],
  };
}

interface Outcome {
  readonly readings: number;
  readonly twice: number;
  readonly incidents: readonly string[];
}

async function run(postgres: OwnPostgres, disturb: boolean): Promise<Outcome> {
  for (let site = 0; site < SITES; site++) await registerSite(postgres.owner, siteOf(site));
  const credentials = await makeCredentials(postgres.owner);
  const port = await freePort();
  const environment = { DATABASE_URL: postgres.url, MQTT_PORT: `${port}`, MQTT_HOST: '127.0.0.1' };
  const rules = serviceProcess('rules', environment);
  const ingest = serviceProcess('ingest', environment);
  await rules.start();
  await ingest.start();

  const kills = disturb ? 3 : 0;
  const all = [...Array(SITES).keys()].map(messagesOf);
  const total = all.reduce((sum, messages) => sum + messages.length, 0);
  let acknowledged = 0;
  const publishing = Promise.all(
    [0, 1, 2, 3].map(async (lane) => {
      const client = mqtt.connect(`mqtt://127.0.0.1:${port}`, {
        protocolVersion: 5,
        username: credentials.username,
        password: credentials.secret,
        reconnectPeriod: 100,
        clientId: `kill-lane-${lane}`,
        clean: false,
      });
      client.on('error', () => {});
      const ofLane = all.filter((_, site) => site % 4 === lane);
      for (let index = 0; index < (ofLane[0]?.length ?? 0); index++) {
        await Promise.all(
          ofLane.map(async (messages) => {
            const message = messages[index];
            if (message === undefined) return;
            await client.publishAsync(message.topic, message.payload, { qos: 1 });
            acknowledged++;
          }),
        );
      }
      await client.endAsync();
    }),
  );

  const victims = [
    async () => {
      await ingest.kill();
      await ingest.start();
    },
    async () => {
      await rules.kill();
      await rules.start();
    },
    () => postgres.killAndRestart(),
  ];
  for (let kill = 0; kill < kills * victims.length; kill++) {
    // Spread over the traffic by what was acknowledged, not by the clock.
    const due = ((kill + 1) / (kills * victims.length + 1)) * total;
    await expect.poll(() => acknowledged, { timeout: 120_000, interval: 20 }).toBeGreaterThan(due);
    await victims[kill % victims.length]?.();
  }
  await publishing;
  expect(acknowledged).toBe(total);

  const counted = () =>
    postgres.owner.pool.query<{ n: number }>(
      'select (select count(*) from meter_reading) + (select count(*) from battery_reading) as n',
    );
  const readings = (await counted()).rows[0]?.n ?? 0;
  // The backlog is judged to its end once no more of it comes; then what stands no longer changes.
  const incidents = async () => {
    const found = await postgres.owner.pool.query<{ line: string }>(
      `select site || ' ' || kind || ' ' || subject || ' ' || state || ' ' || onset_at || ' ' || detected_at || ' '
         || coalesce(cleared_at::text, '') as line
       from incident where kind in ('inlet-over-cap', 'reserve-low') order by 1`,
    );
    return found.rows.map((row) => row.line);
  };
  await expect
    .poll(async () => (await incidents()).length, { timeout: 120_000, interval: 500 })
    .toBe(SITES / 3 + SITES / 4);
  const standing = await incidents();
  const twice = await postgres.owner.pool.query<{ n: number }>(
    `select count(*) as n from (select site_no, device_no, at from meter_reading group by 1, 2, 3 having count(*) > 1) d`,
  );
  expect(await rules.stop()).toBe(0);
  expect(await ingest.stop()).toBe(0);
  return { readings, twice: twice.rows[0]?.n ?? -1, incidents: standing };
}

describe('processes killed in the middle of traffic', () => {
  const servers: OwnPostgres[] = [];
  beforeAll(async () => {
    servers.push(await startOwnPostgres(), await startOwnPostgres());
  });
  afterAll(async () => {
    for (const server of servers) await server.stop();
  });

  it('lose no acknowledged reading, store none twice, and change no incident', async () => {
    const [calm, stormy] = servers;
    if (calm === undefined || stormy === undefined) throw new Error('no servers');
    const undisturbed = await run(calm, false);
    const disturbed = await run(stormy, true);
    const expected = SITES * (MINUTES * 12 + MINUTES * 6);
    expect(undisturbed.readings).toBe(expected);
    expect(disturbed.readings).toBe(expected);
    expect(disturbed.twice).toBe(0);
    expect(disturbed.incidents).toEqual(undisturbed.incidents);
  }, 600_000);
});
