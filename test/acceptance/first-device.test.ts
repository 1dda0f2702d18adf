// From an empty station to an incident, as README's example does it: a site, a device's credentials, a pack
// written by hand and sent with a general-purpose MQTT client, and what becomes of it.

import { spawnSync } from 'node:child_process';
import mqtt from 'mqtt';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { z } from 'zod';
import { createStation, type Station } from '../support/station.ts';

const hasMosquitto = spawnSync('mosquitto_pub', ['--help']).error === undefined;

/** The site of the contract's section 2, word for word but for its storm and tariff, which have defaults. */
const SITE = {
  id: 'cedar-lane-4',
  name: 'Cedar Lane 4',
  timeZone: 'America/Denver',
  service: { nominalVolts: 120, mainAmps: 200, otherGeneration: false },
  meter: { device: 'meter-1', periodSeconds: 5, accuracyPct: 1 },
  inlets: [
    { number: 1, leg: 'L1', capAmps: 15, capWatts: 1800, breakerAmps: 15, conductorAwg: 12, oneWayFeet: 40 },
  ],
  batteries: [
    {
      device: 'battery-1',
      inlet: 1,
      capacityWh: 3000,
      reservePct: 20,
      chargeLimitWatts: 1500,
      periodSeconds: 10,
    },
  ],
};
const TOPIC = 'afterwatt/v1/cedar-lane-4/meter-1/readings';

const credentialsSchema = z.object({ username: z.string(), secret: z.string() });
const readingsSchema = z.object({
  devices: z.array(
    z.object({
      device: z.string(),
      times: z.array(z.string()),
      columns: z.record(z.string(), z.array(z.number().nullable())),
    }),
  ),
});
const quarantineSchema = z.object({
  items: z.array(z.looseObject({ reason: z.string(), detail: z.string() })),
});
const incidentsSchema = z.object({
  items: z.array(
    z.looseObject({ kind: z.string(), subject: z.string(), state: z.string(), headline: z.string() }),
  ),
});

let station: Station;
let credentials: z.infer<typeof credentialsSchema>;

beforeAll(async () => {
  station = await createStation();
  await station.start(['--no-demo']);
});
afterAll(async () => {
  await station.stop();
  await station.remove();
});

describe('a first device', () => {
  it('is registered with its site and given credentials once', async () => {
    expect((await station.call('POST', '/v1/sites', SITE)).status).toBe(201);
    const made = await station.call('POST', '/v1/sites/cedar-lane-4/device-credentials', {
      device: 'meter-1',
    });
    expect(made.status).toBe(201);
    credentials = credentialsSchema.parse(made.body);
  });

  it.skipIf(!hasMosquitto)(
    'publishes a pack written by hand, which is stored once however often it comes',
    async () => {
      const at = Math.floor(Date.now() / 1000) - 60;
      const pack = `[{"bn":"urn:dev:mac:0024befffe804ff1:","bt":${at},"n":"l1.v","u":"V","v":121.3},{"n":"l1.p","u":"W","v":640},{"n":"l1.p","u":"W","v":655,"t":5}]`;
      expect(publish(pack)).toBe(0);
      expect(publish(pack)).toBe(0);
      const answer = await station.call(
        'GET',
        `/v1/sites/cedar-lane-4/readings?device=meter-1&from=${iso(at - 1)}&to=${iso(at + 30)}`,
      );
      const [device] = readingsSchema.parse(answer.body).devices;
      expect(device?.times.map((time) => Date.parse(time))).toEqual([at * 1000, (at + 5) * 1000]);
      expect(device?.columns['l1.p']).toEqual([640, 655]);
      expect(device?.columns['l1.v']?.[0]).toBeCloseTo(121.3, 3);
    },
  );

  it.skipIf(!hasMosquitto)(
    'finds a broken pack in quarantine, with a reason a person understands',
    async () => {
      expect(publish('[{"n":"l1.v","u":"A","v":121.3}]')).toBe(0);
      expect(publish('{"l1.v": 121}')).toBe(0);
      const listed = quarantineSchema.parse(
        (await station.call('GET', '/v1/quarantine?site=cedar-lane-4')).body,
      );
      expect(listed.items.map((item) => item.reason).sort()).toEqual(['not-senml', 'unit']);
      for (const { detail } of listed.items) expect(detail.length).toBeGreaterThan(20);
    },
  );

  it('is refused with a wrong secret, and on a topic that is not its own', async () => {
    await expect(connect('wrong')).rejects.toThrow(/not authorized|bad user ?name or password/i);
    const client = await connect(credentials.secret);
    await expect(
      client.publishAsync('afterwatt/v1/another-site/meter-1/readings', '[]', { qos: 1 }),
    ).rejects.toThrow();
    client.end(true);
  });

  it('has an incident while its inlet runs over its cap, which clears by itself', async () => {
    const client = await connect(credentials.secret);
    const fromS = Math.floor(Date.now() / 1000) - 300;
    for (let second = 0; second <= 240; second += 5) {
      const inletW = second >= 60 && second < 120 ? 2050 : 900;
      const pack = [
        { bt: fromS + second, n: 'l1.v', u: 'V', v: 120 },
        { n: 'l1.p', u: 'W', v: inletW + 300 + (second % 7) },
        { n: 'inlet1.p', u: 'W', v: inletW },
        { n: 'inlet1.i', u: 'A', v: inletW / 120 },
      ];
      await client.publishAsync(TOPIC, JSON.stringify(pack), { qos: 1 });
    }
    await client.endAsync();
    const overCap = async () => {
      const { body } = await station.call('GET', '/v1/incidents?site=cedar-lane-4&kind=inlet-over-cap');
      return incidentsSchema.parse(body).items.map(({ kind, subject, state }) => ({ kind, subject, state }));
    };
    await expect
      .poll(overCap, { timeout: 240_000, interval: 500 })
      .toEqual([{ kind: 'inlet-over-cap', subject: 'inlet 1', state: 'cleared' }]);
  }, 280_000);

  it('is found again, with its readings and its incident, when the station starts a second time', async () => {
    expect(await station.stop()).toBe(0);
    await station.start(['--no-demo']);
    expect((await station.call('GET', '/v1/sites/cedar-lane-4')).status).toBe(200);
    const { body } = await station.call('GET', '/v1/incidents?kind=inlet-over-cap');
    expect(incidentsSchema.parse(body).items).toHaveLength(1);
    const client = await connect(credentials.secret);
    await client.endAsync();
  });
});

function publish(payload: string): number | null {
  return spawnSync('mosquitto_pub', [
    ...['-h', '127.0.0.1', '-p', `${station.mqttPort}`, '-V', 'mqttv5', '-q', '1', '-t', TOPIC],
    ...['-u', credentials.username, '-P', credentials.secret, '-m', payload],
  ]).status;
}

function connect(secret: string): Promise<mqtt.MqttClient> {
  return mqtt.connectAsync(
    `mqtt://127.0.0.1:${station.mqttPort}`,
    { protocolVersion: 5, username: credentials.username, password: secret, reconnectPeriod: 0 },
    false,
  );
}

function iso(seconds: number): string {
  return new Date(seconds * 1000).toISOString();
}
