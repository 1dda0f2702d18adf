// Live traffic of many sites, from a process of its own: a few simulated homes, each told by many sites, a moment
// apart, one reading a message, at the contract's periods. All over a few connections of a gateway.

import { setTimeout as sleep } from 'node:timers/promises';
import { type FaultSpec, type Packet, simulateHome } from '@afterwatt/simulate';
import { encodeReadings, type Site, topicOf } from '@afterwatt/wire';
import mqtt, { type MqttClient } from 'mqtt';

export interface LiveHome {
  readonly site: Site;
  readonly seed: string;
  readonly faults: readonly FaultSpec[];
  /** Sites that tell what this home tells. */
  readonly siteIds: readonly string[];
}

export interface LiveLoad {
  readonly port: number;
  readonly username: string;
  readonly secret: string;
  readonly connections: number;
  readonly fromMs: number;
  readonly homes: readonly LiveHome[];
}

export interface LiveCount {
  readonly sent: number;
  readonly acknowledged: number;
  /** How far behind its time the last message was sent, milliseconds. */
  readonly behindMs: number;
}

const TURN_MS = 50;
/** The sites of one home tell it within this, evenly spread: a meter's period. */
const SPREAD_MS = 5_000;

process.once('message', (load: LiveLoad) => {
  void run(load);
});

async function run({ homes, fromMs, ...to }: LiveLoad): Promise<void> {
  const clients = await Promise.all(
    Array.from({ length: to.connections }, (_, index) =>
      mqtt.connectAsync({
        host: '127.0.0.1',
        port: to.port,
        protocolVersion: 5,
        username: to.username,
        password: to.secret,
        clientId: `live-${index}`,
        clean: false,
        properties: { sessionExpiryInterval: 600 },
        reconnectPeriod: 200,
      }),
    ),
  );
  const streams = homes.map((home) => ({ home, packets: packetsOf(home, fromMs) }));
  process.send?.('ready');
  let sent = 0;
  let acknowledged = 0;
  let behindMs = 0;
  /** Messages by the turn in which they are due. */
  const due = new Map<
    number,
    { readonly client: MqttClient; send(client: MqttClient): Promise<unknown> }[]
  >();
  let turn = Math.floor(fromMs / TURN_MS);
  setInterval(() => process.send?.({ sent, acknowledged, behindMs } satisfies LiveCount), 500);

  for (;;) {
    const turnMs = turn * TURN_MS;
    // The first turn lies ahead: a state sent before its time tells of a clock that is wrong.
    await sleep(Math.max(0, turnMs - Date.now()));
    for (const { home, packets } of streams) {
      for (let packet = packets.next(); packet.at < turnMs + TURN_MS; packet = packets.next()) {
        packets.take();
        tell(home, packet);
      }
    }
    for (const { client, send } of due.get(turn) ?? []) {
      sent += 1;
      void send(client).then(() => {
        acknowledged += 1;
      });
    }
    due.delete(turn);
    turn += 1;
    behindMs = Math.max(0, Date.now() - turn * TURN_MS);
  }

  function tell({ siteIds }: LiveHome, packet: Packet): void {
    const { device } = packet;
    siteIds.forEach((site, index) => {
      const shiftMs = Math.floor((index * SPREAD_MS) / siteIds.length);
      const at = Math.floor((packet.at + shiftMs) / TURN_MS);
      const client = clients[index % clients.length];
      if (client === undefined) return;
      const list = due.get(at) ?? [];
      due.set(at, list);
      list.push({ client, send: (through) => publish(through, site, device, packet, shiftMs) });
    });
  }
}

async function publish(client: MqttClient, site: string, device: string, packet: Packet, shiftMs: number) {
  if (packet.kind === 'state') {
    const payload = JSON.stringify(packet.state);
    return client.publishAsync(topicOf({ site, device, kind: 'state' }), payload, { qos: 1, retain: true });
  }
  const reading = { ...packet.reading, at: packet.reading.at + shiftMs };
  const payload = Buffer.from(encodeReadings([reading], 'json'));
  return client.publishAsync(topicOf({ site, device, kind: 'readings' }), payload, { qos: 1 });
}

function packetsOf({ site, seed, faults }: LiveHome, fromMs: number) {
  const toMs = Number.POSITIVE_INFINITY;
  const packets = simulateHome({ site, seed, faults, fromMs, toMs })[Symbol.iterator]();
  const advance = (): Packet => {
    const result = packets.next();
    if (result.done === true) throw new Error('a home without an end ended');
    return result.value;
  };
  let next = advance();
  return {
    next: () => next,
    take() {
      next = advance();
    },
  };
}
