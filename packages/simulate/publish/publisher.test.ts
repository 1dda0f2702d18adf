// Homes over a real MQTT 5 endpoint: everything arrives, in the order a home's devices allow, through cuts and
// refusals, and live.

import { createServer, type Server, type Socket } from 'node:net';
import { decodeReadings, decodeState, parseTopic, type Reading } from '@afterwatt/wire';
import { Aedes, type Client, type PublishPacket } from 'aedes';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { aSite, aSiteOfTwo } from '../a-site.fixture.ts';
import { simulateHome } from '../home.ts';
import type { Credentials } from './connections.ts';
import { publishHistory, publishLive } from './publisher.ts';
import type { HomeToPublish } from './running-home.ts';

const HOUR_MS = 3_600_000;
const TO_MS = Date.parse('2026-07-08T06:00:00Z');
const FROM_MS = TO_MS - 3 * HOUR_MS;
const DEVICE: Credentials = {
  kind: 'device',
  of: (site, device) => ({ username: `${site}/${device}`, secret: 'a secret' }),
};

interface Arrived {
  readonly topic: string;
  readonly client: string;
  readonly contentType: string | undefined;
  readonly retain: boolean;
  readonly qos: number;
  readonly readings: readonly Reading[];
  readonly payload: Uint8Array;
}

let endpoint: Aedes;
let server: Server;
let url: string;
const sockets = new Set<Socket>();
const arrived: Arrived[] = [];
let receivedMs = TO_MS;
/** Called before a message is acknowledged; what it returns is awaited. */
let beforeAck: (message: Arrived) => Promise<void> | void;

beforeEach(async () => {
  arrived.length = 0;
  receivedMs = TO_MS;
  beforeAck = () => {};
  endpoint = await Aedes.createBroker({
    authenticate: (_client, username, password, done) =>
      done(null, username !== undefined && password?.toString() === 'a secret'),
    authorizePublish(client, packet, done) {
      const message = asArrived(client, packet);
      arrived.push(message);
      Promise.resolve(beforeAck(message)).then(() => done(null), done);
    },
  });
  server = createServer((socket) => {
    sockets.add(socket);
    socket.once('close', () => sockets.delete(socket));
    endpoint.handle(socket);
  });
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
  const address = server.address();
  url = `mqtt://127.0.0.1:${address !== null && typeof address === 'object' ? address.port : 0}`;
});

afterEach(async () => {
  await new Promise<void>((resolve) => endpoint.close(() => resolve()));
  for (const socket of sockets) socket.destroy();
  await new Promise<void>((resolve) => server.close(() => resolve()));
});

function asArrived(client: Client | null, packet: PublishPacket): Arrived {
  const { topic, retain, qos } = packet;
  const payload = Buffer.from(packet.payload);
  const contentType = packet.properties?.contentType;
  const { kind, device } = parseTopic(topic) ?? { kind: 'state', device: '' };
  const decoded = kind === 'readings' ? decodeReadings(payload, contentType, receivedMs, device) : undefined;
  const readings = decoded?.kind === 'accepted' ? decoded.readings : [];
  return { topic, client: client?.id ?? '', contentType, retain, qos, readings, payload };
}

function expected(home: HomeToPublish): Set<string> {
  const scenario = { site: aSite(), seed: home.seed, fromMs: FROM_MS, toMs: TO_MS, coarseUntilMs: FROM_MS };
  const keys = new Set<string>();
  for (const packet of simulateHome(scenario)) {
    if (packet.kind === 'reading') keys.add(`${packet.device} ${packet.reading.at}`);
  }
  return keys;
}

function keysOf(messages: readonly Arrived[]): string[] {
  return messages.flatMap(({ readings }) => readings.map(({ device, at }) => `${device} ${at}`));
}

const home = (more: Partial<HomeToPublish> = {}): HomeToPublish => ({ site: aSite(), seed: 'home', ...more });

describe('publishing a history', () => {
  it('delivers every reading of a home, as SenML at QoS 1, and its state retained', async () => {
    let last = { readings: 0, share: 0 };
    await publishHistory({
      url,
      homes: [home()],
      credentials: DEVICE,
      fromMs: FROM_MS,
      toMs: TO_MS,
      coarseUntilMs: FROM_MS,
      onProgress: (progress) => {
        last = progress;
      },
    });
    expect(new Set(keysOf(arrived))).toEqual(expected(home()));
    const packs = arrived.filter(({ topic }) => topic.endsWith('/readings'));
    expect(new Set(packs.map(({ contentType }) => contentType))).toEqual(new Set(['application/senml+json']));
    expect(arrived.every(({ qos }) => qos === 1)).toBe(true);
    const states = arrived.filter(({ topic }) => topic.endsWith('/state'));
    expect(states.length).toBeGreaterThan(1);
    expect(states.every(({ retain }) => retain)).toBe(true);
    expect(states.map(({ payload }) => decodeState(payload).kind)).toEqual(states.map(() => 'accepted'));
    expect(new Set(arrived.map(({ client }) => client))).toEqual(
      new Set(['cedar-lane-4-meter-1', 'cedar-lane-4-battery-1']),
    );
    expect(last.share).toBe(1);
    expect(last.readings).toBeGreaterThan(3000);
  });

  it('speaks CBOR over one connection of a gateway', async () => {
    const credentials = { kind: 'gateway', username: 'gate', secret: 'a secret' } as const;
    const homes = [home({ site: aSite({ id: 'a-1' }) }), home({ site: aSite({ id: 'b-2' }) })];
    const times = { fromMs: FROM_MS, toMs: TO_MS, coarseUntilMs: FROM_MS };
    await publishHistory({ url, homes, credentials, format: 'cbor', ...times });
    expect(new Set(arrived.map(({ client }) => client))).toEqual(new Set(['gateway-gate']));
    for (const site of ['a-1', 'b-2']) {
      const own = arrived.filter(({ topic }) => topic.includes(`/${site}/`));
      expect(new Set(keysOf(own))).toEqual(expected(home()));
    }
  });

  it('lets no device of a home run ahead of another by more than a pack', async () => {
    const packSize = 20;
    await publishHistory({
      url,
      homes: [home({ site: aSiteOfTwo() })],
      credentials: DEVICE,
      fromMs: FROM_MS,
      toMs: TO_MS,
      coarseUntilMs: FROM_MS,
      packSize,
    });
    const reached = new Map<string, number>();
    for (const { readings } of arrived) {
      expect(readings.length).toBeLessThanOrEqual(packSize);
      for (const { device, at } of readings) reached.set(device, Math.max(reached.get(device) ?? 0, at));
      const all = [...reached.values()];
      // A pack of twenty readings of the meter, five seconds apart, and a wait for the radio.
      if (all.length === 3)
        expect(Math.max(...all) - Math.min(...all)).toBeLessThan(2 * packSize * 5000 + 90_000);
    }
  });

  it('sends again what was not acknowledged when connections are cut', async () => {
    let cuts = 0;
    beforeAck = () => {
      if (arrived.length % 15 !== 0 || cuts >= 3) return;
      cuts += 1;
      for (const socket of sockets) socket.destroy();
    };
    const times = { fromMs: FROM_MS, toMs: TO_MS, coarseUntilMs: FROM_MS };
    await publishHistory({ url, homes: [home()], credentials: DEVICE, packSize: 30, ...times });
    expect(cuts).toBe(3);
    expect(new Set(keysOf(arrived))).toEqual(expected(home()));
  });

  it('goes on where an earlier run ended', async () => {
    const half = TO_MS - HOUR_MS;
    const times = { fromMs: FROM_MS, coarseUntilMs: FROM_MS };
    await publishHistory({ url, homes: [home()], credentials: DEVICE, toMs: half, ...times });
    await publishHistory({
      url,
      homes: [home()],
      credentials: DEVICE,
      toMs: TO_MS,
      sendFromMs: half,
      ...times,
    });
    expect(new Set(keysOf(arrived))).toEqual(expected(home()));
  });

  it('rejects when the broker refuses the connection', async () => {
    const credentials = { kind: 'gateway', username: 'gate', secret: 'wrong' } as const;
    const run = publishHistory({ url, homes: [home()], credentials, fromMs: FROM_MS, toMs: TO_MS });
    await expect(run).rejects.toThrow(/refused/i);
  });

  it('stops when told, even from a broker that no longer acknowledges', async () => {
    const stop = new AbortController();
    beforeAck = () => {
      if (arrived.length < 10) return;
      stop.abort();
      return new Promise<void>(() => {});
    };
    const options = { url, homes: [home()], credentials: DEVICE, fromMs: FROM_MS, toMs: TO_MS };
    await publishHistory({ ...options, packSize: 10, signal: stop.signal });
    expect(arrived.length).toBeLessThan(20);
  });
});

describe('publishing live', () => {
  it('catches up with the present, goes on in real time, and says goodbye without a Last Will', async () => {
    const nowMs = Date.now();
    receivedMs = nowMs;
    const site = aSite({
      meter: { periodSeconds: 0.2 },
      batteries: [{ device: 'battery-1', periodSeconds: 0.4 }],
    });
    const history = { fromMs: nowMs - 60_000, toMs: nowMs - 10_000, coarseUntilMs: 0 };
    const homes = await publishHistory({ url, homes: [home({ site })], credentials: DEVICE, ...history });
    const before = keysOf(arrived).length;
    const stop = new AbortController();
    const live = new Promise<void>((resolve) => {
      beforeAck = ({ readings }) => {
        if (readings.some(({ at }) => at > nowMs + 1000)) resolve();
      };
    });
    const running = publishLive({ url, homes, credentials: DEVICE, signal: stop.signal });
    await live;
    stop.abort();
    await running;
    const keys = keysOf(arrived);
    // Ten seconds to catch up with and one of the present, at five and at two and a half readings a second.
    expect(keys.length - before).toBeGreaterThan(70);
    const meterAt = [...new Set(keys)]
      .filter((key) => key.startsWith('meter'))
      .map((key) => Number(key.slice(8)));
    meterAt.sort((a, b) => a - b);
    const longest = Math.max(...meterAt.slice(1).map((at, index) => at - (meterAt[index] ?? 0)));
    expect(longest).toBeLessThan(1000);
    const wills = arrived.filter(({ payload }) => payload.toString() === '{"online":false}');
    expect(wills).toEqual([]);
  });
});
