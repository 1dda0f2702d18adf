// Load for the bench, from a process of its own: publishes packs at QoS 1 over some connections with a bounded
// window each, as fast as they are acknowledged or at a steady rate, and reports how long acknowledgements took.
// It writes packets straight to the socket, so that it costs as little of the machine as it can.

import { connect, type Socket } from 'node:net';
import { generate, parser } from 'mqtt-packet';
import { type FleetDevice, type PackShape, packsOf } from './fleet.ts';

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
  /** Milliseconds from publish to acknowledgement, sorted, at most 100,000 of them. */
  readonly delaysMs: readonly number[];
}

const MQTT_5 = { protocolVersion: 5 } as const;

process.on('message', (message: { prepare?: Load; go?: true }) => {
  if (message.prepare !== undefined) void prepare(message.prepare);
});

async function prepare(load: Load): Promise<void> {
  const lanes = await Promise.all(
    Array.from({ length: load.connections }, (_, lane) => openLane(load, lane)),
  );
  // Made beforehand: the bench measures what takes readings in, not what makes them up.
  let index = 0;
  for (const { topic, payload } of packsOf(load.fleet, load, load.fromMs, load.packs)) {
    const lane = lanes[index++ % lanes.length];
    lane?.add(topic, payload, load.format);
  }
  process.send?.({ ready: true });
  process.once('message', () => {
    void run(load, lanes);
  });
}

async function run(load: Load, lanes: readonly Lane[]): Promise<void> {
  const startedMs = performance.now();
  const perLane = load.packsPerSecond / lanes.length;
  await Promise.all(lanes.map((lane) => lane.send(perLane)));
  const seconds = (performance.now() - startedMs) / 1000;
  const delaysMs = lanes.flatMap((lane) => lane.delaysMs).sort((a, b) => a - b);
  const step = Math.max(1, Math.ceil(delaysMs.length / 100_000));
  const published: Published = { seconds, delaysMs: delaysMs.filter((_, at) => at % step === 0) };
  process.send?.({ published });
  for (const lane of lanes) lane.end();
}

interface Lane {
  readonly delaysMs: number[];
  add(topic: string, payload: Buffer, format: 'json' | 'cbor'): void;
  send(packsPerSecond: number): Promise<void>;
  end(): void;
}

async function openLane(load: Load, lane: number): Promise<Lane> {
  const socket: Socket = connect({ port: load.port, host: '127.0.0.1' });
  const parsing = parser(MQTT_5);
  const packets: Buffer[] = [];
  const sentAtMs = new Map<number, number>();
  const delaysMs: number[] = [];
  let next = 0;
  let acknowledged = 0;
  let onAck = () => {};
  socket.setNoDelay(true);
  socket.on('data', (chunk) => {
    parsing.parse(chunk);
    onAck();
  });
  const connected = new Promise<void>((resolve, reject) => {
    socket.once('error', reject);
    parsing.on('packet', (packet) => {
      if (packet.cmd === 'connack') resolve();
      if (packet.cmd !== 'puback') return;
      if ((packet.reasonCode ?? 0) >= 0x80) throw new Error(`not taken: ${packet.reasonCode}`);
      const sentMs = sentAtMs.get(packet.messageId ?? 0);
      if (sentMs !== undefined) delaysMs.push(performance.now() - sentMs);
      acknowledged++;
    });
  });
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
  await connected;
  return {
    delaysMs,
    add(topic, payload, format) {
      packets.push(
        generate(
          {
            cmd: 'publish',
            topic,
            payload,
            qos: 1,
            messageId: (packets.length % 65_000) + 1,
            dup: false,
            retain: false,
            properties: { contentType: `application/senml+${format}` },
          },
          MQTT_5,
        ),
      );
    },
    send: (packsPerSecond) =>
      new Promise((resolve) => {
        const startedMs = performance.now();
        const fill = () => {
          const due =
            packsPerSecond === 0
              ? packets.length
              : Math.min(packets.length, (performance.now() - startedMs) * (packsPerSecond / 1000));
          socket.cork();
          while (next < due && next - acknowledged < load.window) {
            const packet = packets[next];
            if (packet === undefined) break;
            sentAtMs.set((next % 65_000) + 1, performance.now());
            socket.write(packet);
            next++;
          }
          socket.uncork();
          if (acknowledged === packets.length) {
            clearInterval(timer);
            resolve();
          }
        };
        const timer = setInterval(fill, 5);
        onAck = packsPerSecond === 0 ? fill : () => {};
        fill();
      }),
    end: () => socket.end(),
  };
}
