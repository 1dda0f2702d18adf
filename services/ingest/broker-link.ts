// One connection to an MQTT 5 broker, from CONNECT to its end. It speaks the protocol's packets itself, because
// acknowledgements must wait for the commit without holding up what comes after, leave in order, and never leave
// on a newer connection than the one their message came on.

import { connect as connectTcp, type Socket } from 'node:net';
import { connect as connectTls } from 'node:tls';
import { topicFilter } from '@afterwatt/wire';
import { generate, type IPublishPacket, type Packet } from 'mqtt-packet';
import type { Message, Take } from './message.ts';
import { OrderedAcks, type OwedAck } from './ordered-acks.ts';
import { PacketReader } from './packet-reader.ts';

const MQTT_5 = { protocolVersion: 5 } as const;
/** A broker keeps for a worker that is away what it missed, a long weekend at most. */
const SESSION_EXPIRY_S = 4 * 86_400;
/** Messages under way to us: more than two batches of one reading each, so that the broker need never wait. */
const RECEIVE_MAXIMUM = 20_000;
/** A pack of 1 MiB is the most that is read; what is a little larger still reaches quarantine. */
const MAX_PACKET_BYTES = 2 * 2 ** 20;
const KEEP_ALIVE_S = 60;
const MARKER_EVERY_MS = 5_000;
/** Markers come back every 5 s: a broker that says nothing for so long is gone. */
const SILENT_AFTER_MS = 30_000;
const HANDSHAKE_MS = 10_000;
const FAILURE_CODES_FROM = 0x80;
/** MQTT 5.0, 2.4: bad user name or password, not authorized, banned, bad authentication method. */
const CREDENTIAL_CODES: readonly number[] = [0x86, 0x87, 0x8a, 0x8c];

/** The broker answered, and said no. */
export class BrokerRefusal extends Error {
  readonly ofCredentials: boolean;
  constructor(what: string, reasonCode: number) {
    super(`the broker refused ${what} (reason code 0x${reasonCode.toString(16)})`);
    this.ofCredentials = CREDENTIAL_CODES.includes(reasonCode);
  }
}

export interface BrokerLinkOptions {
  readonly url: URL;
  /**
   * The workers of a group share the messages among them. Mosquitto's access file does not say who may subscribe to
   * what: a device that knew this name could join the group, or take a worker's session over, and every message that
   * then falls to it would be lost. So it stands in both names, and is a secret with such a broker.
   */
  readonly group: string;
  /**
   * Takes all messages through an ordinary subscription instead of sharing them. Mosquitto brings that back after a
   * restart of its own; a shared one only when the worker is there again, and what comes between is lost.
   */
  readonly alone: boolean;
  /** Names the session at the broker, with the group; both must be the same from one start to the next. */
  readonly worker: string;
  readonly take: Take;
}

export interface BrokerLink {
  /** Settles when the connection is over, with the reason. */
  readonly ended: Promise<Error>;
  /** When the newest marker was sent that came back: all that the broker held before is here. 0 = none yet. */
  caughtUpToMs(): number;
  pause(): void;
  resume(): void;
  close(): Promise<void>;
}

/**
 * Connects, subscribes and begins to take messages.
 * @throws BrokerRefusal, or what the socket says
 */
export async function openBrokerLink(options: BrokerLinkOptions): Promise<BrokerLink> {
  const { url, group, alone, worker, take } = options;
  const socket = openSocket(url);
  const reader = new PacketReader(5, onPacket, (error) =>
    socket.destroy(new Error('not MQTT', { cause: error })),
  );
  const acks = new OrderedAcks((bytes) => socket.write(bytes));
  const marker = `afterwatt/ingest/${worker}/marker`;
  let caughtUpToMs = 0;
  let heardAtMs = Date.now();
  let paused = false;
  let packetId = 0;
  const answers = new Map<Packet['cmd'], (packet: Packet) => void>();

  const ended = new Promise<Error>((resolve) => {
    let reason = new Error('the broker closed the connection');
    socket.on('error', (error) => {
      reason = error;
    });
    socket.once('close', () => {
      acks.end();
      clearInterval(marking);
      resolve(reason);
    });
  });
  const marking = setInterval(() => {
    if (!paused && Date.now() - heardAtMs > SILENT_AFTER_MS) {
      socket.destroy(new Error('the broker has been silent'));
      return;
    }
    sendMarker();
  }, MARKER_EVERY_MS);

  socket.on('data', (chunk) => {
    heardAtMs = Date.now();
    reader.read(chunk);
  });
  function onPacket(packet: Packet): void {
    if (packet.cmd === 'publish') receive(packet);
    else if (packet.cmd === 'disconnect')
      socket.destroy(new BrokerRefusal('to go on', packet.reasonCode ?? 0));
    else answers.get(packet.cmd)?.(packet);
  }

  function receive(packet: IPublishPacket): void {
    const ack = packet.qos === 0 ? undefined : acks.owe(packet.messageId ?? 0);
    if (packet.topic === marker) {
      caughtUpToMs = Math.max(caughtUpToMs, Number(packet.payload.toString()));
      ack?.settle();
      return;
    }
    if (!take(new BrokerMessage(packet, heardAtMs, ack))) pause();
  }

  function send(packet: Packet): void {
    socket.write(generate(packet, MQTT_5));
  }

  function nextPacketId(): number {
    packetId = (packetId % 65_535) + 1;
    return packetId;
  }

  /** What comes back through our own subscription comes behind everything that the broker held for us before. */
  function sendMarker(): void {
    const payload = Buffer.from(`${Date.now()}`);
    const common = { cmd: 'publish', topic: marker, payload, dup: false, retain: false } as const;
    send({ ...common, qos: 1, messageId: nextPacketId() });
  }

  async function ask<C extends Packet['cmd']>(packet: Packet, answer: C): Promise<Packet & { cmd: C }> {
    const answered = new Promise<Packet & { cmd: C }>((resolve) => {
      answers.set(answer, (packet) => {
        if (isOf(packet, answer)) resolve(packet);
      });
    });
    send(packet);
    const timer = setTimeout(() => socket.destroy(new Error('the broker does not answer')), HANDSHAKE_MS);
    const outcome = await Promise.race([answered, ended]);
    clearTimeout(timer);
    answers.delete(answer);
    if (outcome instanceof Error) throw outcome;
    return outcome;
  }

  function pause(): void {
    paused = true;
    socket.pause();
  }

  try {
    const connack = await ask(connectPacket(url, `afterwatt-${group}-${worker}`), 'connack');
    const code = connack.reasonCode ?? 0;
    if (code >= FAILURE_CODES_FROM) throw new BrokerRefusal('the connection', code);
    const [readings, state] = [topicFilter('readings'), topicFilter('state')];
    const [sharedReadings, sharedState] = [`$share/${group}/${readings}`, `$share/${group}/${state}`];
    const ordinary = [
      { topic: readings, qos: 1, rh: 2 },
      // The retained states, once: when the subscription is new.
      { topic: state, qos: 1, rh: 1 },
      { topic: marker, qos: 1, rh: 2 },
    ] as const;
    const shared = [
      // A shared subscription is not given retained messages (MQTT 5.0, 4.8.2; rh 2 says so to a broker that
      // would), so a new session asks once for those that there are; a state that changes in that moment comes
      // twice, which does no harm.
      { topic: sharedReadings, qos: 1, rh: 2 },
      { topic: sharedState, qos: 1, rh: 2 },
      { topic: marker, qos: 1, rh: 2 },
      ...(connack.sessionPresent ? [] : [{ topic: state, qos: 1 } as const]),
    ] as const;
    const subscriptions = alone ? ordinary : shared;
    const suback = await ask(
      { cmd: 'subscribe', messageId: nextPacketId(), subscriptions: [...subscriptions] },
      'suback',
    );
    subscriptions.forEach(({ topic }, index) => {
      const granted = Number(suback.granted[index] ?? FAILURE_CODES_FROM);
      if (granted >= FAILURE_CODES_FROM) throw new BrokerRefusal(`the subscription to ${topic}`, granted);
    });
    // Also what an earlier start of this session subscribed to in the other way.
    const unsubscriptions = alone ? [sharedReadings, sharedState] : [readings, state];
    send({ cmd: 'unsubscribe', messageId: nextPacketId(), unsubscriptions });
    sendMarker();
  } catch (error) {
    socket.destroy();
    throw error;
  }

  return {
    ended,
    caughtUpToMs: () => caughtUpToMs,
    pause,
    resume() {
      paused = false;
      heardAtMs = Date.now();
      socket.resume();
    },
    async close() {
      acks.flush();
      send({ cmd: 'disconnect', reasonCode: 0 });
      // What still comes is not ours any more: the broker keeps it for the next connection.
      socket.removeAllListeners('data').resume();
      socket.end();
      const timer = setTimeout(() => socket.destroy(), 1_000);
      await ended;
      clearTimeout(timer);
    },
  };
}

class BrokerMessage implements Message {
  readonly topic: string;
  readonly payload: Buffer;
  readonly contentType: string | undefined;
  readonly receivedAtMs: number;
  /** The broker let it through. */
  readonly company = undefined;
  readonly #ack: OwedAck | undefined;

  constructor(packet: IPublishPacket, receivedAtMs: number, ack: OwedAck | undefined) {
    this.topic = packet.topic;
    this.payload = typeof packet.payload === 'string' ? Buffer.from(packet.payload) : packet.payload;
    this.contentType = packet.properties?.contentType;
    this.receivedAtMs = receivedAtMs;
    this.#ack = ack;
  }

  acknowledge(): void {
    this.#ack?.settle();
  }
}

function openSocket(url: URL): Socket {
  const isTls = /^(mqtts|tls|ssl):$/.test(url.protocol);
  const host = url.hostname.replace(/^\[|\]$/g, '');
  const port = url.port === '' ? (isTls ? 8883 : 1883) : Number(url.port);
  const socket = isTls ? connectTls({ host, port, servername: host }) : connectTcp({ host, port });
  socket.setNoDelay(true);
  return socket;
}

function connectPacket(url: URL, clientId: string): Packet {
  const credentials =
    url.username === ''
      ? {}
      : {
          username: decodeURIComponent(url.username),
          password: Buffer.from(decodeURIComponent(url.password)),
        };
  return {
    cmd: 'connect',
    ...MQTT_5,
    protocolId: 'MQTT',
    clientId,
    clean: false,
    keepalive: KEEP_ALIVE_S,
    ...credentials,
    properties: {
      sessionExpiryInterval: SESSION_EXPIRY_S,
      receiveMaximum: RECEIVE_MAXIMUM,
      maximumPacketSize: MAX_PACKET_BYTES,
    },
  };
}

function isOf<C extends Packet['cmd']>(packet: Packet, cmd: C): packet is Packet & { cmd: C } {
  return packet.cmd === cmd;
}
