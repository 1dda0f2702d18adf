// Traffic for the fault suite: 200,000 readings of many meters, some packs sent twice, some days late, some with a
// bad record, some no pack at all; and what must be in the database once all of it is acknowledged.

import { setTimeout as sleep } from 'node:timers/promises';
import type { Connection } from '@afterwatt/store';
import { topicOf } from '@afterwatt/wire';
import mqtt from 'mqtt';
import { expect } from 'vitest';
import { registerSite } from '../support/register.ts';

export const SITES = 200;
const PACKS_A_SITE = 50;
const READINGS_A_PACK = 20;
export const READINGS = SITES * PACKS_A_SITE * READINGS_A_PACK;
const PERIOD_S = 5;
const FROM_S = Math.floor(Date.now() / 1000) - 6 * 3600;
const LANES = 8;
/** Packs of one lane under way at a time. */
const WINDOW = 60;

/** Every so many packs. */
const TWICE = 9;
const LATE = 7;
const WITH_BAD_RECORD = 11;
const BROKEN = 50;

export interface Traffic {
  /** Messages acknowledged so far, of `total`. */
  acknowledged(): number;
  readonly total: number;
  /** Settles when every message is acknowledged. */
  readonly done: Promise<void>;
}

interface Credentials {
  readonly username: string;
  readonly secret: string;
}

const siteId = (site: number) => `fault-${site}`;

export async function registerFleet(owner: Connection): Promise<void> {
  for (let site = 0; site < SITES; site++) {
    await registerSite(owner, { id: siteId(site), name: siteId(site), timeZone: 'America/Denver' });
  }
}

/** Publishes all of it over a few connections that come back whenever they are lost. */
export function startTraffic(port: number, credentials: Credentials, name = 'fault'): Traffic {
  const messages = [...allMessages(FROM_S)];
  let acknowledged = 0;
  const lanes = Array.from({ length: LANES }, async (_, lane) => {
    const client = mqtt.connect(`mqtt://127.0.0.1:${port}`, {
      protocolVersion: 5,
      username: credentials.username,
      password: credentials.secret,
      reconnectPeriod: 50,
      connectTimeout: 5_000,
      clientId: `${name}-lane-${lane}`,
      clean: false,
      properties: { sessionExpiryInterval: 3_600 },
    });
    client.on('error', () => {});
    const own = messages.filter((_, index) => index % LANES === lane);
    let next = 0;
    const send = async () => {
      for (let message = own[next++]; message !== undefined; message = own[next++]) {
        await untilAcknowledged(client, message);
        acknowledged++;
      }
    };
    await Promise.all(Array.from({ length: WINDOW }, send));
    await client.endAsync(true);
  });
  return {
    acknowledged: () => acknowledged,
    total: messages.length,
    done: Promise.all(lanes).then(() => {}),
  };
}

/** MQTT 5.0, 3.4.2.1: a broker took it, and has nobody to give it to. */
const NO_MATCHING_SUBSCRIBERS = 0x10;

/**
 * The client gives a publish back when its connection closes again before it was sent; a device would try again, as
 * our README tells it to where a broker says that nobody took the message.
 */
async function untilAcknowledged(client: mqtt.MqttClient, { topic, payload }: Message): Promise<void> {
  for (;;) {
    try {
      const ack = await client.publishAsync(topic, payload, { qos: 1 });
      if (!(ack !== undefined && 'reasonCode' in ack && ack.reasonCode === NO_MATCHING_SUBSCRIBERS)) return;
      await sleep(50);
    } catch (error) {
      if (!(error instanceof Error) || error.message !== 'Connection closed') throw error;
    }
  }
}

interface Message {
  readonly topic: string;
  readonly payload: string;
}

function* allMessages(fromS: number): Generator<Message> {
  for (let pack = 0; pack < PACKS_A_SITE; pack++) {
    for (let site = 0; site < SITES; site++) {
      const number = pack * SITES + site;
      const topic = topicOf({ site: siteId(site), device: 'meter-1', kind: 'readings' });
      const lateS = number % LATE === 0 ? 3 * 86_400 : 0;
      const payload = packOf(site, pack, fromS - lateS, number % WITH_BAD_RECORD === 0);
      yield { topic, payload };
      if (number % TWICE === 0) yield { topic, payload };
      if (number % BROKEN === 0) yield { topic, payload: `${payload.slice(0, 100)} broken ${number}` };
    }
  }
}

function packOf(site: number, pack: number, fromS: number, withBadRecord: boolean): string {
  const records: object[] = [];
  for (let index = 0; index < READINGS_A_PACK; index++) {
    const seq = pack * READINGS_A_PACK + index;
    const t = index * PERIOD_S;
    records.push({ n: 'l1.v', u: 'V', v: 120 + (site % 20) / 10, t });
    records.push({ n: 'l1.p', u: 'W', v: 300 + ((seq * 37 + site) % 900), t }, { n: 'seq', v: seq, t });
  }
  if (withBadRecord) records.push({ n: 'l2.v', u: 'V', v: 9_000 + pack, t: 0 });
  const [first, ...rest] = records;
  const base = { bn: 'meter-1/', bt: fromS + pack * READINGS_A_PACK * PERIOD_S };
  return JSON.stringify([{ ...base, ...first }, ...rest]);
}

/** Acknowledged = stored, each once; what was refused lies in quarantine. Waits for what is still on its way. */
export async function expectAllStored({ pool }: Connection, timeoutMs = 120_000): Promise<void> {
  const stored = async () => {
    const found = await pool.query<{ readings: number; sites: number; seqs: number }>(
      'select count(*) as readings, count(distinct site_no) as sites, sum(seq)::float8 as seqs from meter_reading',
    );
    return found.rows[0];
  };
  const perSite = PACKS_A_SITE * READINGS_A_PACK;
  const seqs = (SITES * (perSite * (perSite - 1))) / 2;
  await expect
    .poll(stored, { timeout: timeoutMs, interval: 500 })
    .toEqual({ readings: READINGS, sites: SITES, seqs });
  const twice = await pool.query(
    'select from meter_reading group by site_no, device_no, at having count(*) > 1 limit 1',
  );
  expect(twice.rowCount).toBe(0);
  const refused = async () => {
    const found = await pool.query<{ reason: string; records: number }>(
      'select reason, sum(records)::int as records from quarantine group by reason order by reason',
    );
    return found.rows;
  };
  const packs = SITES * PACKS_A_SITE;
  await expect.poll(refused, { timeout: timeoutMs, interval: 500 }).toEqual([
    { reason: 'not-senml', records: Math.ceil(packs / BROKEN) },
    { reason: 'out-of-range', records: Math.ceil(packs / WITH_BAD_RECORD) },
  ]);
}

/**
 * What ingest says that it stored is stored, each once, and nothing else: for a broker that loses what it had
 * acknowledged. Waits until no more comes.
 * @returns how many readings are not there
 */
export async function expectStoredAsIngestSays({ pool }: Connection, worker: string): Promise<number> {
  const counts = async () => {
    const found = await pool.query<{ stored: number; different: number; told: number }>(
      `select count(*)::float8 as stored, count(distinct (site_no, device_no, at))::float8 as different,
         (select sum((sample.json ->> 'value')::float8) from worker, json_array_elements(metrics) metric (json),
            json_array_elements(metric.json -> 'values') sample (json)
          where worker.name = $1 and metric.json ->> 'name' = 'afterwatt_ingest_inserted_total') as told
       from meter_reading`,
      [worker],
    );
    return found.rows[0] ?? { stored: 0, different: 0, told: 0 };
  };
  // A worker tells its figures every 3 s; the same ones twice are the last.
  let before = await counts();
  for (;;) {
    await sleep(7_000);
    const now = await counts();
    if (now.stored === before.stored) break;
    before = now;
  }
  expect(before.different).toBe(before.stored);
  expect((await counts()).told).toBe(before.stored);
  return READINGS - before.stored;
}

/** FAULT_SEED sets the moments of an earlier run again, as far as the machine lets it. */
const SEED = Number(process.env['FAULT_SEED'] ?? Date.now() % 1_000_000);
console.log(`FAULT_SEED=${SEED}`);

/** Runs `fault` that many times, at random moments of the traffic: by what is acknowledged, not by the clock. */
export async function duringTraffic(
  traffic: Traffic,
  times: number,
  fault: (index: number) => Promise<void>,
): Promise<void> {
  const random = seededRandom(SEED + times);
  const moments = Array.from({ length: times }, () => (0.02 + random() * 0.93) * traffic.total);
  for (const [index, due] of moments.sort((a, b) => a - b).entries()) {
    await expect.poll(traffic.acknowledged, { timeout: 180_000, interval: 10 }).toBeGreaterThanOrEqual(due);
    await fault(index);
  }
}

/** 0 up to 1, the same for the same seed (mulberry32). */
function seededRandom(seed: number): () => number {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let mixed = Math.imul(state ^ (state >>> 15), state | 1);
    mixed ^= mixed + Math.imul(mixed ^ (mixed >>> 7), mixed | 61);
    return ((mixed ^ (mixed >>> 14)) >>> 0) / 2 ** 32;
  };
}
