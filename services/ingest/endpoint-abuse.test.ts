// What one device, or somebody who is none, does to the endpoint, and what the others notice of it.

import { topicOf } from '@afterwatt/wire';
import type { IClientPublishOptions, MqttClient } from 'mqtt';
import { beforeAll, describe, expect, it } from 'vitest';
import { makeCredentials, registerSite } from '../../test/support/register.ts';
import { METER, pack, rawClient, startTestIngest, type TestIngest } from './test-support.ts';

const BAD_CREDENTIALS = 0x86;
const QUOTA_EXCEEDED = 0x97;
const QOS_1: IClientPublishOptions = { qos: 1 };

describe('the endpoint under abuse', () => {
  let t: TestIngest;
  beforeAll(async () => {
    t = await startTestIngest();
    return () => t.stop();
  });

  it('closes what it refused, also where the other side does not', async () => {
    const guesses = Array.from({ length: 20 }, async (_, guess) => {
      const stranger = rawClient(t.ingest.mqttPort ?? 0);
      const common = { cmd: 'connect', protocolId: 'MQTT', protocolVersion: 5, clientId: 'x' } as const;
      const username = guess % 2 === 0 ? t.meter.username : `nobody\0${guess}`;
      stranger.send({ ...common, username, password: Buffer.from(`guess ${guess}`) });
      expect((await stranger.next('connack')).reasonCode).toBe(BAD_CREDENTIALS);
      // Its own half stays open, until it hears that nobody is there.
      const probing = setInterval(() => stranger.send({ cmd: 'pingreq' }), 50);
      await stranger.closed;
      clearInterval(probing);
    });
    await Promise.all(guesses);
  });

  it('takes a thousand devices that come at once', async () => {
    const credentials = await Promise.all(
      Array.from({ length: 20 }, () => makeCredentials(t.owner, { siteNo: t.siteNo, device: 'battery-1' })),
    );
    const clients = Array.from({ length: 1_000 }, (_, index) => {
      const { username, secret } = credentials[index % 20] ?? t.gateway;
      const client = rawClient(t.ingest.mqttPort ?? 0);
      const common = {
        cmd: 'connect',
        protocolId: 'MQTT',
        protocolVersion: 5,
        clientId: `${index}`,
      } as const;
      client.send({ ...common, username, password: Buffer.from(secret) });
      return client;
    });
    for (const client of clients) expect((await client.next('connack')).reasonCode).toBe(0);
    for (const client of clients) client.socket.destroy();
  });

  it('gives a device four connections, whatever credentials it has, and ends the oldest for a fifth', async () => {
    const second = await makeCredentials(t.owner, { siteNo: t.siteNo, device: 'meter-1' });
    const ended: number[] = [];
    const clients: MqttClient[] = [];
    for (let index = 0; index < 6; index++) {
      const client = await t.client(index % 2 === 0 ? t.meter : second, { clientId: `many-${index}` });
      client.on('disconnect', ({ reasonCode }) => {
        expect(reasonCode).toBe(QUOTA_EXCEEDED);
        ended.push(index);
      });
      clients.push(client);
    }
    await expect.poll(() => ended).toEqual([0, 1]);
    await clients[5]?.publishAsync(METER, pack(1), QOS_1);
    for (const client of clients) client.end(true);
  });

  it('slows a device down that floods it over all its connections, and others are done long before', async () => {
    const neighbours = await Promise.all(
      Array.from({ length: 5 }, async (_, index) => {
        const site = `quiet-${index}`;
        const siteNo = await registerSite(t.owner, { id: site, name: site, timeZone: 'America/Denver' });
        const client = await t.client(await makeCredentials(t.owner, { siteNo, device: 'meter-1' }));
        return { client, topic: topicOf({ site, device: 'meter-1', kind: 'readings' }) };
      }),
    );
    // White space of 32 KiB a message, so that few messages are a flood.
    const flood = { messages: 8_000, acknowledged: 0, over: false };
    const flooders = await Promise.all(
      [0, 1, 2, 3].map((index) => t.client(t.meter, { clientId: `flood-${index}` })),
    );
    const flooding = flooders.flatMap((client, lane) =>
      Array.from({ length: 20 }, async (_, window) => {
        for (let n = window; n < flood.messages / 4 && !flood.over; n += 20) {
          await client.publishAsync(METER, pack(lane * flood.messages + n) + ' '.repeat(32 * 1024), QOS_1);
          flood.acknowledged++;
        }
      }),
    );
    const settled = Promise.allSettled(flooding);
    await expect.poll(() => flood.acknowledged, { timeout: 60_000 }).toBeGreaterThan(1_900);
    await Promise.all(
      neighbours.map(async ({ client, topic }) => {
        for (let n = 0; n < 20; n++) await client.publishAsync(topic, pack(n), QOS_1);
      }),
    );
    // The burst that a device may have is 2,048 of these messages, and 64 a second after.
    expect(flood.acknowledged).toBeLessThan(flood.messages / 2);
    const throttled = async () => {
      const [row] = await t.rows<{ metrics: string }>('select metrics::text from worker');
      return /"event":\s*"throttled"/.test(row?.metrics ?? '');
    };
    await expect.poll(throttled, { timeout: 20_000 }).toBe(true);
    flood.over = true;
    for (const client of flooders) client.end(true);
    await settled;
  }, 120_000);
});
