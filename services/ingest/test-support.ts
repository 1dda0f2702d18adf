// A running ingest over a database of a test's own, with one site, and clients that speak real MQTT.

import { connect, type Socket } from 'node:net';
import { createLogger } from '@afterwatt/runtime';
import type { Connection } from '@afterwatt/store';
import { topicOf } from '@afterwatt/wire';
import mqtt from 'mqtt';
import { generate, type Packet, parser } from 'mqtt-packet';
import { createTestDatabase, type TestDatabase } from '../../test/support/database.ts';
import { makeCredentials, registerSite, type TestCredentials } from '../../test/support/register.ts';
import { type IngestConfig, readConfig } from './config.ts';
import { type StartedIngest, start } from './start.ts';

export const SITE = 'cedar-lane-4';
export const METER = topicOf({ site: SITE, device: 'meter-1', kind: 'readings' });
export const METER_STATE = topicOf({ site: SITE, device: 'meter-1', kind: 'state' });

export interface TestIngest {
  readonly database: TestDatabase;
  readonly owner: Connection;
  readonly siteNo: number;
  readonly meter: TestCredentials;
  readonly gateway: TestCredentials;
  readonly ingest: StartedIngest;
  client(credentials: TestCredentials, options?: mqtt.IClientOptions): Promise<mqtt.MqttClient>;
  rows<T extends object>(query: string, values?: readonly unknown[]): Promise<T[]>;
  /** Ends the clients made so far. */
  endClients(): Promise<void>;
  stop(): Promise<void>;
}

export async function startTestIngest(overrides: Partial<IngestConfig> = {}): Promise<TestIngest> {
  const database = await createTestDatabase();
  const owner = database.connect();
  const siteNo = await registerSite(owner, {
    id: SITE,
    name: 'Cedar Lane 4',
    timeZone: 'America/Denver',
    batteries: [{ device: 'battery-1', inlet: 1 }],
  });
  const meter = await makeCredentials(owner, { siteNo, device: 'meter-1' });
  const gateway = await makeCredentials(owner);
  const config = readConfig({ DATABASE_URL: database.url, MQTT_PORT: '0', MQTT_HOST: '127.0.0.1' });
  const ingest = await start(
    { ...config, ...overrides },
    createLogger('ingest', process.env['TEST_LOG_LEVEL'] ?? 'silent'),
  );
  ingest.done.catch((error: unknown) => console.error(error));
  const clients: mqtt.MqttClient[] = [];
  return {
    ...{ database, owner, siteNo, meter, gateway, ingest },
    async client({ username, secret }, options = {}) {
      const client = await mqtt.connectAsync(`mqtt://127.0.0.1:${ingest.mqttPort}`, {
        protocolVersion: 5,
        username,
        password: secret,
        reconnectPeriod: 0,
        ...options,
      });
      client.on('error', () => {});
      clients.push(client);
      return client;
    },
    async rows<T extends object>(query: string, values: readonly unknown[] = []) {
      return (await owner.pool.query<T>(query, [...values])).rows;
    },
    async endClients() {
      await Promise.all(clients.splice(0).map((client) => client.endAsync(true)));
    },
    async stop() {
      for (const client of clients) client.end(true);
      await ingest.stop();
    },
  };
}

/** A client that sends what no library would, and hears every answer. MQTT 5.0. */
export function rawClient(port: number) {
  const socket = connect({ port, host: '127.0.0.1', allowHalfOpen: true });
  const parsing = parser({ protocolVersion: 5 });
  const answers: Packet[] = [];
  let arrived = () => {};
  parsing.on('packet', (packet) => {
    answers.push(packet);
    arrived();
  });
  socket.on('data', (chunk) => parsing.parse(chunk));
  socket.on('error', () => {});
  const closed = new Promise<void>((resolve) => socket.once('close', () => resolve()));
  /** The other side has nothing more to say. */
  const ended = Promise.race([new Promise<void>((resolve) => socket.once('end', resolve)), closed]);
  return {
    socket,
    ended,
    closed,
    send: (packet: Packet | Uint8Array) => {
      socket.write(packet instanceof Uint8Array ? packet : generate(packet, { protocolVersion: 5 }));
    },
    /** The next answer of this kind; others are passed over. */
    async next<C extends Packet['cmd']>(cmd: C): Promise<Packet & { cmd: C }> {
      for (;;) {
        const answer = answers.shift();
        if (answer !== undefined && isOf(answer, cmd)) return answer;
        if (answer !== undefined) continue;
        if (socket.readableEnded || socket.closed) throw new Error(`closed without ${cmd}`);
        const heard = new Promise<void>((resolve) => {
          arrived = resolve;
        });
        await Promise.race([heard, ended]);
      }
    },
  } satisfies { socket: Socket; [name: string]: unknown };
}

function isOf<C extends Packet['cmd']>(packet: Packet, cmd: C): packet is Packet & { cmd: C } {
  return packet.cmd === cmd;
}

/** A pack of one meter reading so many seconds ago. */
export function pack(secondsAgo: number, watts = 500): string {
  return JSON.stringify([
    { bn: 'meter-1/', n: 'l1.v', u: 'V', v: 120.4, t: -secondsAgo },
    { n: 'l1.p', u: 'W', v: watts, t: -secondsAgo },
  ]);
}
