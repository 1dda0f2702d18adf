// Load for the bench, from a process of its own that lives as long as the bench: publishes packs at QoS 1 over some
// connections with a bounded window each, as fast as they are acknowledged or at a steady rate. Every packet is made
// before the clock starts and leaves in large writes, and of what comes back only acknowledgements are looked at, so
// that the publisher takes as little of the machine as it can from what is measured.

import { connect, type Socket } from 'node:net';
import { generate } from 'mqtt-packet';
import { type FleetDevice, type PackShape, PERIOD_MS, packsOf } from './fleet.ts';

export interface Load extends PackShape {
  readonly port: number;
  readonly username: string;
  readonly secret: string;
  readonly connections: number;
  /** Messages under way over one connection. */
  readonly window: number;
  readonly packs: number;
  /** Packs a second over all connections; 0 = as fast as it goes. */
  readonly packsPerSecond: number;
  readonly fleet: readonly FleetDevice[];
  readonly fromMs: number;
}

export interface Published {
  readonly seconds: number;
  /** Processor time that publishing took, seconds. */
  readonly cpuSeconds: number;
  /** Milliseconds from publish to acknowledgement, sorted, at most 100,000 of them. */
  readonly delaysMs: readonly number[];
}

/** From the bench to its publisher: open the connections and make the packets; then send them. */
export type ToPublisher = { readonly prepare: Load } | 'go';
export type FromPublisher = 'ready' | Published;

const MQTT_5 = { protocolVersion: 5 } as const;
const PACKET_IDS = 65_000;
const CONNACK = 0x20;
const PUBACK = 0x40;
const FAILURE_CODES_FROM = 0x80;
const PACED_EVERY_MS = 5;

let lanes: Lane[] = [];
let packsPerSecond = 0;

process.on('message', (message: ToPublisher) => {
  if (message === 'go') void run();
  else void prepare(message.prepare);
});

async function prepare(load: Load): Promise<void> {
  packsPerSecond = load.packsPerSecond;
  const packets = packetsFor(load);
  lanes = await Promise.all(packets.map((own, lane) => openLane(load, lane, own)));
  process.send?.('ready' satisfies FromPublisher);
}

async function run(): Promise<void> {
  const startedMs = performance.now();
  const cpu = process.cpuUsage();
  await Promise.all(lanes.map((lane) => lane.send(packsPerSecond / lanes.length)));
  const seconds = (performance.now() - startedMs) / 1000;
  const { user, system } = process.cpuUsage(cpu);
  const delaysMs = Float64Array.from(lanes.flatMap((lane) => [...lane.delaysMs])).sort();
  const step = Math.max(1, Math.ceil(delaysMs.length / 100_000));
  process.send?.({
    seconds,
    cpuSeconds: (user + system) / 1e6,
    delaysMs: [...delaysMs.filter((_, at) => at % step === 0)],
  } satisfies FromPublisher);
  for (const lane of lanes) lane.end();
  lanes = [];
}

/** The packets of one connection, one behind another. */
interface Packets {
  readonly bytes: Buffer;
  /** Where each of them ends. */
  readonly ends: readonly number[];
  readonly stamps: readonly Stamp[];
}

/** Where a packet has its base time, and how long after the start of all that is. */
interface Stamp {
  readonly at: number;
  readonly afterS: number;
}

let made: { readonly key: string; readonly packets: readonly Packets[] } | undefined;

/**
 * Making the packets takes far longer than sending them. Those of one run serve the next one of the same shape, with
 * another time in them; what else they tell is the same again.
 */
function packetsFor(load: Load): readonly Packets[] {
  const { readingsAPack, format, connections, packs, fleet } = load;
  const key = [readingsAPack, format, connections, packs, fleet.length, fleet[0]?.topic].join();
  if (made?.key !== key) made = { key, packets: makePackets(load) };
  for (const { bytes, stamps } of made.packets) {
    for (const { at, afterS } of stamps) BASE_TIME[format].write(bytes, at, load.fromMs / 1000 + afterS);
  }
  return made.packets;
}

/** In whole seconds, a base time has always the same length: ten digits, or a CBOR integer of four bytes. */
const BASE_TIME = {
  json: {
    label: Buffer.from('"bt":'),
    write: (bytes: Buffer, at: number, seconds: number) => bytes.write(`${seconds}`, at, 'latin1'),
  },
  cbor: {
    label: Buffer.from([0x22, 0x1a]),
    write: (bytes: Buffer, at: number, seconds: number) => bytes.writeUInt32BE(seconds, at),
  },
} as const;

function makePackets(load: Load): Packets[] {
  const { readingsAPack, format, fleet, fromMs } = load;
  const lists = Array.from({ length: load.connections }, () => ({
    list: [] as Buffer[],
    ends: [] as number[],
    stamps: [] as Stamp[],
  }));
  const { label } = BASE_TIME[format];
  let index = 0;
  for (const { topic, payload } of packsOf(fleet, load, fromMs, load.packs)) {
    const lane = lists[index % lists.length];
    if (lane === undefined) throw new Error('no connections');
    const packet = generate(
      {
        cmd: 'publish',
        topic,
        payload,
        qos: 1,
        messageId: packetId(lane.list.length),
        dup: false,
        retain: false,
        properties: { contentType: `application/senml+${format}` },
      },
      MQTT_5,
    );
    const baseTime = payload.indexOf(label);
    if (baseTime === -1 || fromMs % 1000 !== 0)
      throw new Error('a pack without a base time in whole seconds');
    const start = lane.ends.at(-1) ?? 0;
    lane.stamps.push({
      at: start + packet.length - payload.length + baseTime + label.length,
      afterS: (Math.floor(index / fleet.length) * readingsAPack * PERIOD_MS) / 1000,
    });
    lane.list.push(packet);
    lane.ends.push(start + packet.length);
    index += 1;
  }
  return lists.map(({ list, ends, stamps }) => ({ bytes: Buffer.concat(list), ends, stamps }));
}

function packetId(index: number): number {
  return (index % PACKET_IDS) + 1;
}

interface Lane {
  readonly delaysMs: Float64Array;
  send(packsPerSecond: number): Promise<void>;
  end(): void;
}

async function openLane(load: Load, lane: number, { bytes, ends }: Packets): Promise<Lane> {
  const socket: Socket = connect({ port: load.port, host: '127.0.0.1' });
  const sentMs = new Float64Array(ends.length);
  const delaysMs = new Float64Array(ends.length);
  let sent = 0;
  let acknowledged = 0;
  let rest: Buffer = Buffer.alloc(0);
  let onConnected = () => {};
  let onAcknowledged = () => {};

  // What comes back are small packets of less than 128 bytes: a type, a length in one byte, and that much more.
  socket.on('data', (chunk) => {
    const given = rest.length === 0 ? chunk : Buffer.concat([rest, chunk]);
    const nowMs = performance.now();
    let at = 0;
    while (at + 2 <= given.length && at + 2 + (given[at + 1] ?? 0) <= given.length) {
      const length = given[at + 1] ?? 0;
      if (given[at] === CONNACK && given[at + 3] === 0) onConnected();
      else if (given[at] === PUBACK)
        onPuback(given.readUInt16BE(at + 2), length > 2 ? (given[at + 4] ?? 0) : 0, nowMs);
      else throw new Error(`not expected: ${given.subarray(at, at + 2 + length).toString('hex')}`);
      at += 2 + length;
    }
    rest = given.subarray(at);
    onAcknowledged();
  });

  function onPuback(id: number, reasonCode: number, nowMs: number): void {
    if (id !== packetId(acknowledged)) throw new Error(`acknowledged ${id}, not ${packetId(acknowledged)}`);
    if (reasonCode >= FAILURE_CODES_FROM) throw new Error(`not taken: ${reasonCode}`);
    delaysMs[acknowledged] = nowMs - (sentMs[acknowledged] ?? 0);
    acknowledged++;
  }

  function sendUpTo(end: number): void {
    const upTo = Math.min(end, acknowledged + load.window, ends.length);
    if (upTo <= sent) return;
    sentMs.fill(performance.now(), sent, upTo);
    socket.write(bytes.subarray(ends[sent - 1] ?? 0, ends[upTo - 1]));
    sent = upTo;
  }

  await new Promise<void>((resolve, reject) => {
    onConnected = resolve;
    socket.once('error', reject);
    socket.setNoDelay(true);
    socket.write(
      generate({
        cmd: 'connect',
        clientId: `bench-${process.pid}-${lane}`,
        ...MQTT_5,
        clean: true,
        keepalive: 0,
        username: load.username,
        password: Buffer.from(load.secret),
      }),
    );
  });
  return {
    delaysMs,
    send: (perSecond) =>
      new Promise((resolve) => {
        const startedMs = performance.now();
        const paced = () => sendUpTo(Math.floor(((performance.now() - startedMs) * perSecond) / 1000));
        const timer = perSecond === 0 ? undefined : setInterval(paced, PACED_EVERY_MS);
        onAcknowledged = () => {
          if (timer === undefined) sendUpTo(ends.length);
          if (acknowledged < ends.length) return;
          clearInterval(timer);
          resolve();
        };
        onAcknowledged();
      }),
    // At once: ingest may be stopped now, and would take leave of it.
    end: () => void socket.destroy(),
  };
}
