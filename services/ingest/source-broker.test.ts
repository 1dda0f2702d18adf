// The shared subscription against a real Mosquitto: what is not acknowledged comes again, what is does not.

import { randomBytes } from 'node:crypto';
import { createLogger } from '@afterwatt/runtime';
import { topicOf } from '@afterwatt/wire';
import mqtt from 'mqtt';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { hasMosquitto, type Mosquitto, startMosquitto } from '../../test/support/mosquitto.ts';
import type { Message, Source } from './message.ts';
import { startBrokerSource } from './source-broker.ts';

const log = createLogger('ingest', 'silent');
/** As long and as random as a deployment's. */
const GROUP = randomBytes(16).toString('hex');

describe.skipIf(!hasMosquitto)('a shared subscription on a broker (needs Mosquitto)', () => {
  let broker: Mosquitto;
  const opened: { close(): Promise<unknown> }[] = [];
  // One each: a session that a test leaves behind would be given its share of the next one's messages.
  beforeEach(async () => {
    broker = await startMosquitto();
  });
  afterEach(async () => {
    for (const one of opened.splice(0)) await one.close();
    await broker.stop();
  });

  interface Taking {
    readonly source: Source;
    readonly messages: Message[];
    texts(): string[];
    /** Messages that may be held before no more are taken. */
    bound: number;
    room(): void;
  }

  async function take(url = broker.ingestUrl, alone = false): Promise<Taking> {
    const messages: Message[] = [];
    let room = () => {};
    const taking = { messages, bound: Number.POSITIVE_INFINITY };
    const source = await startBrokerSource({
      url,
      group: GROUP,
      alone,
      worker: 'ingest-1',
      log,
      take: (message) => messages.push(message) < taking.bound,
      onRoom: (listener) => {
        room = listener;
      },
    });
    opened.push(source);
    return Object.assign(taking, {
      source,
      room: () => room(),
      texts: () => messages.map((message) => message.payload.toString()),
    });
  }

  async function device(options: mqtt.IClientOptions = {}): Promise<mqtt.MqttClient> {
    const client = await mqtt.connectAsync(`mqtt://127.0.0.1:${broker.port}`, {
      protocolVersion: 5,
      username: broker.gateway.username,
      password: broker.gateway.secret,
      ...options,
    });
    opened.push({ close: async () => client.end(true) });
    return client;
  }

  const readings = (site: string) => topicOf({ site, device: 'meter-1', kind: 'readings' });
  const state = (site: string) => topicOf({ site, device: 'meter-1', kind: 'state' });

  it('gives again, in order, what a closed connection left unacknowledged, and nothing else', async () => {
    const first = await take();
    const publisher = await device();
    for (const text of ['a', 'b', 'c', 'd', 'e'])
      await publisher.publishAsync(readings('again'), text, { qos: 1 });
    await expect.poll(() => first.texts()).toEqual(['a', 'b', 'c', 'd', 'e']);
    // "d" is committed before "c", so its acknowledgement cannot leave.
    for (const index of [1, 0, 3]) first.messages[index]?.acknowledge();
    first.source.stopTaking();
    await first.source.close();
    const second = await take();
    await expect.poll(() => second.texts()).toEqual(['c', 'd', 'e']);
    for (const message of second.messages) message.acknowledge();
    second.source.stopTaking();
    await second.source.close();
    const third = await take();
    await publisher.publishAsync(readings('again'), 'last', { qos: 1 });
    await expect.poll(() => third.texts()).toEqual(['last']);
    third.messages[0]?.acknowledge();
  });

  it('does not acknowledge on a newer connection what came on an older one', async () => {
    const taking = await take();
    const publisher = await device();
    await publisher.publishAsync(readings('newer'), 'x', { qos: 1 });
    await expect.poll(() => taking.texts()).toEqual(['x']);
    await broker.restart();
    await expect.poll(() => taking.texts(), { timeout: 20_000 }).toEqual(['x', 'x']);
    taking.messages[0]?.acknowledge();
    await broker.restart();
    await expect.poll(() => taking.texts(), { timeout: 20_000 }).toEqual(['x', 'x', 'x']);
    taking.messages[2]?.acknowledge();
  });

  it('takes no more while there is no room, and goes on after', async () => {
    const taking = await take();
    taking.bound = 3;
    const publisher = await device();
    const pack = 'p'.repeat(60_000);
    const sending = Promise.all(
      Array.from({ length: 60 }, () => publisher.publishAsync(readings('room'), pack, { qos: 1 })),
    );
    await sending;
    await expect.poll(() => taking.messages.length).toBeGreaterThanOrEqual(3);
    // What was already on its way in one read of the socket may still come; then it stands.
    expect(taking.messages.length).toBeLessThan(10);
    taking.bound = Number.POSITIVE_INFINITY;
    taking.room();
    await expect.poll(() => taking.messages.length).toBe(60);
    for (const message of taking.messages) message.acknowledge();
  });

  it('asks a new session for the retained states, and takes Last Wills', async () => {
    const dying = await device({
      will: { topic: state('will'), payload: Buffer.from('{"online":false}'), qos: 1, retain: true },
    });
    await dying.publishAsync(state('will'), '{"online":true}', { qos: 1, retain: true });
    const taking = await take();
    await expect.poll(() => taking.texts()).toEqual(['{"online":true}']);
    dying.stream.destroy();
    dying.end(true);
    await expect.poll(() => taking.texts()).toContain('{"online":false}');
    for (const message of taking.messages) message.acknowledge();
  });

  it('loses nothing to a device that joins the group, or takes the session over, that it can guess', async () => {
    const taking = await take();
    for (const clientId of ['afterwatt-ingest-1', 'afterwatt-ingest-ingest-1']) {
      const greedy = await device({ clientId, clean: false });
      await greedy.subscribeAsync('$share/ingest/afterwatt/v1/+/+/readings', { qos: 1 });
    }
    const publisher = await device();
    const sent = Array.from({ length: 20 }, (_, index) => `${index}`);
    for (const text of sent) await publisher.publishAsync(readings('greedy'), text, { qos: 1 });
    await expect.poll(() => taking.texts()).toEqual(sent);
    for (const message of taking.messages) message.acknowledge();
  });

  it('alone, is given what came between a restart of the broker and its own return', async () => {
    const before = await take(broker.ingestUrl, true);
    before.source.stopTaking();
    await before.source.close();
    await broker.restart();
    const publisher = await device();
    await publisher.publishAsync(readings('between'), 'between', { qos: 1 });
    const after = await take(broker.ingestUrl, true);
    await expect.poll(() => after.texts()).toEqual(['between']);
    after.messages[0]?.acknowledge();
  });

  it('alone or sharing, is given each message once, also when it was the other before', async () => {
    for (const alone of [true, false, true]) {
      const taking = await take(broker.ingestUrl, alone);
      await expect.poll(() => taking.source.isConnected()).toBe(true);
      const publisher = await device();
      for (const text of ['a', 'b']) await publisher.publishAsync(readings('once'), text, { qos: 1 });
      await expect.poll(() => taking.texts()).toEqual(['a', 'b']);
      for (const message of taking.messages) message.acknowledge();
      taking.source.stopTaking();
      await taking.source.close();
    }
  });

  it('counts as connected once all that the broker held is here, and not without it', async () => {
    const taking = await take();
    await expect.poll(() => taking.source.isConnected()).toBe(true);
    await broker.kill();
    await expect.poll(() => taking.source.isConnected()).toBe(false);
    await broker.start();
    await expect.poll(() => taking.source.isConnected(), { timeout: 20_000 }).toBe(true);
  });

  it('says in one line that the broker refuses the password, or is not there', async () => {
    const wrong = broker.ingestUrl.replace('ingest-secret', 'wrong');
    await expect(take(wrong)).rejects.toThrow(/^MQTT_URL: the broker refused the connection/);
  });
});
