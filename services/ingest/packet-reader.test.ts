// Packets come out of the reader as mqtt-packet alone would read them, however the bytes were cut into chunks.

import fc from 'fast-check';
import { generate, type IPublishPacket, type Packet, parser } from 'mqtt-packet';
import { describe, expect, it } from 'vitest';
import { PacketReader } from './packet-reader.ts';

const CONNECT: Packet = { cmd: 'connect', clientId: 'meter', protocolVersion: 5, clean: true, keepalive: 60 };
const TOPIC = 'afterwatt/v1/cedar-lane-4/meter-1/readings';

function publish(more: Partial<IPublishPacket>): Packet {
  return {
    cmd: 'publish',
    topic: TOPIC,
    payload: 'a pack',
    qos: 1,
    messageId: 7,
    dup: false,
    retain: false,
    ...more,
  };
}

interface Read {
  readonly packets: unknown[];
  readonly failed: boolean;
}

/** What of a packet anybody looks at. */
function told(packet: Packet): unknown {
  if (packet.cmd !== 'publish') return { cmd: packet.cmd };
  const { topic, payload, qos, dup, retain, properties } = packet;
  const messageId = qos === 0 ? undefined : packet.messageId;
  return { topic, payload: String(payload), qos, dup, retain, messageId, properties: { ...properties } };
}

function read(version: 4 | 5, chunks: readonly Buffer[]): Read {
  const packets: unknown[] = [];
  let failed = false;
  const reader = new PacketReader(
    version,
    (packet) => packets.push(told(packet)),
    () => {
      failed = true;
    },
  );
  for (const chunk of chunks) if (!failed) reader.read(chunk);
  return { packets, failed };
}

function readByLibrary(version: 4 | 5, bytes: Buffer): Read {
  const packets: unknown[] = [];
  let failed = false;
  const library = parser({ protocolVersion: version });
  library.on('packet', (packet) => packets.push(told(packet)));
  library.on('error', () => {
    failed = true;
  });
  library.parse(bytes);
  return { packets, failed };
}

const packet = fc
  .record({
    payload: fc.oneof(
      fc.string({ maxLength: 40 }),
      fc.constant('x'.repeat(300)),
      fc.constant('y'.repeat(20_000)),
    ),
    qos: fc.constantFrom(0, 1, 2),
    messageId: fc.integer({ min: 1, max: 65_535 }),
    dup: fc.boolean(),
    retain: fc.boolean(),
    topic: fc.constantFrom(TOPIC, 'some/where', 'café'),
    properties: fc.constantFrom(
      {},
      { contentType: 'application/senml+json' },
      { contentType: 'application/senml+cbor', messageExpiryInterval: 60 },
      { messageExpiryInterval: 60 },
      { userProperties: { firmware: '1.4.2' } },
    ),
  })
  .map(({ qos, dup, ...rest }) =>
    publish({ ...rest, qos: qos === 0 ? 0 : qos === 1 ? 1 : 2, dup: dup && qos > 0 }),
  );
const packets = fc.array(
  fc.oneof(
    { weight: 5, arbitrary: packet },
    { weight: 1, arbitrary: fc.constant<Packet>({ cmd: 'pingreq' }) },
  ),
);

describe('packets of a connection', () => {
  it('come out as they were sent, however they were cut', () => {
    fc.assert(
      fc.property(
        packets,
        fc.array(fc.integer({ min: 1, max: 700 }), { minLength: 1 }),
        fc.constantFrom(4, 5),
        (sent, cuts, version) => {
          const bytes = Buffer.concat(sent.map((one) => generate(one, { protocolVersion: version })));
          const chunks: Buffer[] = [];
          for (let at = 0, cut = 0; at < bytes.length; cut++) {
            const end = at + (cuts[cut % cuts.length] ?? 1);
            chunks.push(bytes.subarray(at, end));
            at = end;
          }
          const found = read(version === 5 ? 5 : 4, chunks);
          expect(found).toEqual(readByLibrary(version === 5 ? 5 : 4, bytes));
          expect(found.packets).toHaveLength(sent.length);
        },
      ),
    );
  });

  it('are those that mqtt-packet finds, or a failure as there, whatever was done to their bytes', () => {
    fc.assert(
      fc.property(
        packets,
        fc.array(fc.tuple(fc.nat(), fc.nat({ max: 255 })), { minLength: 1 }),
        (sent, changes) => {
          const bytes = Buffer.concat(sent.map((one) => generate(one, { protocolVersion: 5 })));
          if (bytes.length === 0) return;
          for (const [at, byte] of changes) bytes[at % bytes.length] = byte;
          const known = readByLibrary(5, bytes);
          const found = read(5, [bytes]);
          // The library may fail at a packet's first bytes, where we wait for its last one.
          if (!known.failed) expect(found).toEqual(known);
          else expect(found.packets.slice(0, known.packets.length)).toEqual(known.packets);
        },
      ),
      { numRuns: 500 },
    );
  });

  it('know the version of the CONNECT that they came behind', () => {
    const bytes = Buffer.concat([
      generate(CONNECT),
      generate(publish({ properties: { contentType: 'application/senml+json' } }), { protocolVersion: 5 }),
    ]);
    expect(read(4, [bytes]).packets[1]).toMatchObject({
      payload: 'a pack',
      properties: { contentType: 'application/senml+json' },
    });
  });
});
