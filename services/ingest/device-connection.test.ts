// One connection at a time, over real sockets, with the clock in the test's hand: silence, slowness, bad manners.

import { once } from 'node:events';
import { createServer, type Socket } from 'node:net';
import { generate, type IConnectPacket } from 'mqtt-packet';
import { afterEach, describe, expect, it } from 'vitest';
import { ByteRate } from './byte-rate.ts';
import { DeviceConnection } from './device-connection.ts';
import type { Message } from './message.ts';
import { DEVICE } from './senders.ts';
import { rawClient } from './test-support.ts';

const RIGHT = { company: 'default', secretSha256: Buffer.alloc(32), site: 'elm-1', device: 'meter-1' };
const CONNECT: IConnectPacket = {
  cmd: 'connect',
  protocolId: 'MQTT',
  protocolVersion: 5,
  clientId: 'meter-1',
  username: 'elm-1.meter-1.0000',
  password: Buffer.from('secret'),
};
const TOPIC = 'afterwatt/v1/elm-1/meter-1/readings';

const undo: (() => unknown)[] = [];
afterEach(async () => {
  for (const release of undo.splice(0).reverse()) await release();
});

async function aConnection(rate = new ByteRate(DEVICE)) {
  const taken: Message[] = [];
  const server = createServer();
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
  const address = server.address();
  const accepted = once(server, 'connection');
  const client = rawClient(address !== null && typeof address === 'object' ? address.port : 0);
  const [socket]: Socket[] = await accepted;
  if (socket === undefined) throw new Error('no socket');
  undo.push(
    () => server.close(),
    () => client.socket.destroy(),
    () => socket.destroy(),
  );
  const connection = new DeviceConnection({
    socket,
    authenticate: async () => RIGHT,
    mayUse: (right, topic) => topic.site === right.site && topic.device === right.device,
    take: (message) => taken.push(message) > 0,
    onOpen: () => ({ limits: DEVICE, rate }),
    onClose: () => true,
    count: () => {},
  });
  return { client, connection, socket, taken };
}

describe('a connection', () => {
  it('has ten seconds for its CONNECT, also where it comes byte by byte', async () => {
    const { client, connection, socket } = await aConnection();
    const startedMs = Date.now();
    for (const byte of generate(CONNECT).subarray(0, -1)) {
      client.send(Uint8Array.of(byte));
      await once(socket, 'data');
    }
    connection.checkAlive(startedMs + 9_000);
    expect(socket.destroyed).toBe(false);
    // Whatever came in between, and however late.
    connection.checkAlive(Date.now() + 10_001);
    expect(socket.destroyed).toBe(true);
  });

  it('is ended after one and a half keep-alives of silence (MQTT 5.0, 3.1.2.10)', async () => {
    const { client, connection, socket } = await aConnection();
    client.send({ ...CONNECT, keepalive: 20 });
    await client.next('connack');
    connection.checkAlive(Date.now() + 29_000);
    expect(socket.destroyed).toBe(false);
    connection.checkAlive(Date.now() + 30_001);
    expect(socket.destroyed).toBe(true);
  });

  it('is not blamed for a silence in which it is not read', async () => {
    const { client, connection, socket } = await aConnection();
    client.send({ ...CONNECT, keepalive: 20 });
    await client.next('connack');
    connection.hold();
    connection.checkAlive(Date.now() + 3_600_000);
    expect(socket.destroyed).toBe(false);
  });

  it.each([
    { why: 'a topic alias, which was not offered', code: 0x94, properties: { topicAlias: 1 }, messageId: 7 },
    { why: 'packet id 0', code: 0x82, properties: {}, messageId: 0 },
  ])('is ended for a publish with $why', async ({ code, properties, messageId }) => {
    const { client, taken } = await aConnection();
    client.send(CONNECT);
    expect((await client.next('connack')).properties?.topicAliasMaximum).toBeUndefined();
    const payload = Buffer.from('[]');
    const common = { cmd: 'publish', topic: TOPIC, payload, qos: 1, dup: false, retain: false } as const;
    const bytes = generate({ ...common, properties, messageId: 7 }, { protocolVersion: 5 });
    bytes.writeUInt16BE(messageId, bytes.indexOf(TOPIC) + TOPIC.length);
    client.send(bytes);
    expect((await client.next('disconnect')).reasonCode).toBe(code);
    await client.ended;
    expect(taken).toEqual([]);
  });

  it.each([
    { why: 'a second CONNECT', bytes: generate(CONNECT) },
    { why: 'QoS 3', bytes: Buffer.from('3605000161000141', 'hex') },
    { why: 'an AUTH that nobody asked for', bytes: Buffer.from('f000', 'hex') },
    { why: 'a packet of type 0', bytes: Buffer.from('0000', 'hex') },
    { why: 'a SUBSCRIBE with wrong flags', bytes: Buffer.from('8006000100000161', 'hex') },
    { why: 'what only a server sends', bytes: Buffer.from('d000', 'hex') },
  ])('is ended for $why, which is a protocol error', async ({ bytes }) => {
    const { client } = await aConnection();
    client.send(CONNECT);
    await client.next('connack');
    client.send(bytes);
    expect((await client.next('disconnect')).reasonCode).toBe(0x82);
    await client.ended;
  });

  it('is closed for good when it takes its leave and then stays', async () => {
    const { client, socket } = await aConnection();
    client.send(CONNECT);
    await client.next('connack');
    client.send({ cmd: 'disconnect', reasonCode: 0 });
    // The client leaves its own half open.
    await once(socket, 'close');
  });

  it('is not read while it does not take our answers', async () => {
    const { client, socket } = await aConnection();
    client.send(CONNECT);
    await client.next('connack');
    client.socket.removeAllListeners('data');
    client.socket.pause();
    // Answers that it does not read, more than the kernel holds for both sides (some megabytes).
    socket.write(Buffer.from('d000'.repeat(8 * 2 ** 20), 'hex'));
    client.send({ cmd: 'pingreq' });
    await expect.poll(() => socket.isPaused(), { timeout: 30_000 }).toBe(true);
    client.socket.resume();
    await expect.poll(() => socket.isPaused(), { timeout: 30_000 }).toBe(false);
  });
});
