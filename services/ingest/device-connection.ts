// One device's, or gateway's, connection to the endpoint, from CONNECT to its end: MQTT 3.1.1 and 5.0. Nothing is
// kept for a device between connections and nothing is forwarded to it, so that all there is to a session is the
// acknowledgements owed, and these wait for the commit. QoS 2 needs no memory either: a message taken twice is
// stored once.

import type { Socket } from 'node:net';
import type { PublishRight } from '@afterwatt/store';
import { parseTopic, type Topic } from '@afterwatt/wire';
import { generate, type IConnectPacket, type IPublishPacket, type Packet } from 'mqtt-packet';
import type { Message, Take } from './message.ts';
import { OrderedAcks } from './ordered-acks.ts';
import { PacketReader } from './packet-reader.ts';
import { DEVICE, type Sender } from './senders.ts';

/** A pack may be 1 MiB (wire's bound); topic, properties and header come on top. */
const MAX_PACKET_BYTES = 2 ** 20 + 16 * 1024;
/** CONNECT with a Last Will; who has not said who it is gets no more. */
const MAX_CONNECT_BYTES = 80 * 1024;
/** From the first byte to the last of CONNECT, however slowly it comes. */
export const CONNECT_WITHIN_MS = 10_000;
/** A peer that vanished is found out within minutes even where it asked for no keep-alive. */
const TCP_KEEP_ALIVE_MS = 60_000;
/** What the other side does not take leave of is ended anyway. */
const LINGER_MS = 1_000;

/** A message costs its sender at least as much, however small it is. */
const LEAST_COST_BYTES = 1024;

/** MQTT 5.0, 2.4. */
const REASON = {
  success: 0,
  disconnectWithWill: 0x04,
  unspecified: 0x80,
  protocolError: 0x82,
  badCredentials: 0x86,
  notAuthorized: 0x87,
  unavailable: 0x88,
  shuttingDown: 0x8b,
  badMethod: 0x8c,
  takenOver: 0x8e,
  badTopic: 0x90,
  topicAliasInvalid: 0x94,
  tooLarge: 0x95,
  quotaExceeded: 0x97,
} as const;
/** The same in CONNACK of MQTT 3.1.1, 3.2.2.3. */
const RETURN_CODE_311: Readonly<Record<number, number>> = {
  [REASON.badCredentials]: 4,
  [REASON.notAuthorized]: 5,
  [REASON.unavailable]: 3,
};

export interface ConnectionDeps {
  readonly socket: Socket;
  /** Who this is; 'unavailable' while that cannot be looked up. */
  readonly authenticate: (
    username: string | undefined,
    secret: Buffer | undefined,
    socket: Socket,
  ) => Promise<PublishRight | undefined | 'unavailable'>;
  readonly mayUse: (right: PublishRight, topic: Topic) => boolean;
  readonly take: Take;
  /** Called when it has said who it is. @returns what it may use */
  readonly onOpen: (connection: DeviceConnection, right: PublishRight) => Sender;
  /** @returns true when its Last Will holds: nobody speaks for the same device any more */
  readonly onClose: (connection: DeviceConnection) => boolean;
  readonly count: (what: ConnectionEvent) => void;
}

/** Why nothing is read now. */
type Hold = 'full' | 'unacknowledged' | 'rate' | 'authenticating' | 'unread';

export type ConnectionEvent =
  | 'connected'
  | 'refused'
  | 'not-authorized'
  | 'throttled'
  | 'protocol-error'
  | 'crowded-out';

export class DeviceConnection {
  readonly #deps: ConnectionDeps;
  readonly #socket: Socket;
  readonly #reader: PacketReader;
  readonly #acks: OrderedAcks;
  /** Packets that came behind CONNECT while the credential was looked up. */
  #early: Packet[] = [];
  #phase: 'new' | 'authenticating' | 'open' | 'closed' = 'new';
  #version = 4;
  #right: PublishRight | undefined;
  #will: Message | undefined;
  #sender: Sender | undefined;
  #unackedBytes = 0;
  #keepAliveMs = CONNECT_WITHIN_MS;
  #heardAtMs = Date.now();
  readonly #held = new Set<Hold>();
  #username = '';
  #clientId = '';

  constructor(deps: ConnectionDeps) {
    this.#deps = deps;
    this.#socket = deps.socket;
    this.#acks = new OrderedAcks(
      (bytes) => this.#write(bytes),
      () => this.#goOnWithRoom(),
    );
    this.#reader = new PacketReader(
      4,
      (packet) => this.#onPacket(packet),
      () => this.#fail(REASON.protocolError),
    );
    deps.socket.setNoDelay(true);
    deps.socket.setKeepAlive(true, TCP_KEEP_ALIVE_MS);
    deps.socket.on('drain', () => this.#release('unread'));
    deps.socket.on('data', (chunk) => this.#onData(chunk));
    deps.socket.on('error', () => {});
    deps.socket.once('close', () => this.#onClosed());
  }

  get username(): string {
    return this.#username;
  }

  /** Only the holder of the same credential can take a connection over. */
  get session(): string {
    return `${this.#username}\n${this.#clientId}`;
  }

  /** Reads nothing until `goOn`. */
  hold(): void {
    this.#hold('full');
  }

  goOn(): void {
    this.#release('full');
  }

  /**
   * Ends a connection on which nothing came for one and a half times its keep-alive (MQTT 5.0, 3.1.2.10), or whose
   * CONNECT takes too long.
   */
  checkAlive(nowMs: number): void {
    if (this.#held.size > 0) this.#heardAtMs = nowMs;
    else if (nowMs - this.#heardAtMs > this.#keepAliveMs) this.#socket.destroy();
  }

  end(why: 'takenOver' | 'shuttingDown' | 'notAuthorized' | 'quotaExceeded'): void {
    // A worker that stops says nothing about its devices, and one that is here on a newer connection is not gone.
    if (why !== 'notAuthorized') this.#will = undefined;
    this.#acks.flush();
    this.#fail(REASON[why]);
  }

  #onData(chunk: Buffer): void {
    if (this.#phase === 'closed') return;
    // CONNECT has so long altogether: byte by byte would be for ever.
    if (this.#phase !== 'new') this.#heardAtMs = Date.now();
    const left = this.#reader.read(chunk);
    if (this.#isClosed()) return;
    if (left > (this.#phase === 'open' ? MAX_PACKET_BYTES : MAX_CONNECT_BYTES)) {
      this.#fail(REASON.tooLarge);
      return;
    }
    const waitMs = this.#sender?.rate.spend(chunk.length, this.#heardAtMs) ?? 0;
    if (waitMs === 0) return;
    this.#deps.count('throttled');
    this.#hold('rate');
    setTimeout(() => this.#release('rate'), waitMs);
  }

  #onPacket(packet: Packet): void {
    switch (this.#phase) {
      case 'new':
        if (packet.cmd === 'connect') this.#connect(packet);
        else this.#fail(REASON.protocolError);
        return;
      case 'authenticating':
        this.#early.push(packet);
        return;
      case 'open':
        this.#onOpenPacket(packet);
        return;
      case 'closed':
        return;
    }
  }

  #connect(packet: IConnectPacket): void {
    this.#version = packet.protocolVersion ?? 4;
    if (packet.properties?.authenticationMethod !== undefined) {
      this.#refuse(REASON.badMethod);
      return;
    }
    this.#phase = 'authenticating';
    this.#hold('authenticating');
    this.#deps.authenticate(packet.username, packet.password, this.#socket).then((right) => {
      if (this.#phase === 'authenticating') this.#open(packet, right);
    });
  }

  #open(packet: IConnectPacket, right: PublishRight | undefined | 'unavailable'): void {
    if (right === undefined || right === 'unavailable') {
      this.#refuse(right === undefined ? REASON.badCredentials : REASON.unavailable);
      return;
    }
    const { will } = packet;
    const willTopic = will === undefined ? undefined : parseTopic(will.topic);
    if (will !== undefined && (willTopic === undefined || !this.#deps.mayUse(right, willTopic))) {
      this.#refuse(REASON.notAuthorized);
      return;
    }
    this.#right = right;
    this.#username = packet.username ?? '';
    const assigned = packet.clientId === '' ? `device-${crypto.randomUUID()}` : undefined;
    this.#clientId = assigned ?? packet.clientId;
    const keepAliveS = packet.keepalive ?? 0;
    this.#keepAliveMs = keepAliveS === 0 ? Number.POSITIVE_INFINITY : keepAliveS * 1500;
    if (will !== undefined) {
      const payload = typeof will.payload === 'string' ? Buffer.from(will.payload) : will.payload;
      this.#will = {
        topic: will.topic,
        payload,
        contentType: will.properties?.contentType,
        company: right.company,
        get receivedAtMs() {
          return Date.now();
        },
        acknowledge() {},
      };
    }
    this.#phase = 'open';
    this.#heardAtMs = Date.now();
    this.#sender = this.#deps.onOpen(this, right);
    this.#deps.count('connected');
    this.#send({
      cmd: 'connack',
      sessionPresent: false,
      ...(this.#version === 5
        ? { reasonCode: REASON.success, properties: this.#offer(assigned) }
        : { returnCode: 0 }),
    });
    for (const early of this.#early.splice(0)) this.#onPacket(early);
    this.#release('authenticating');
  }

  /** What there is not is said (MQTT 5.0, 3.2.2.3). */
  #offer(assigned: string | undefined) {
    return {
      sessionExpiryInterval: 0,
      receiveMaximum: this.#limits().messages,
      maximumPacketSize: MAX_PACKET_BYTES,
      wildcardSubscriptionAvailable: false,
      subscriptionIdentifiersAvailable: false,
      sharedSubscriptionAvailable: false,
      ...(assigned === undefined ? {} : { assignedClientIdentifier: assigned }),
    };
  }

  #onOpenPacket(packet: Packet): void {
    switch (packet.cmd) {
      case 'publish':
        this.#onPublish(packet);
        return;
      case 'pubrel':
        this.#send({ cmd: 'pubcomp', messageId: packet.messageId ?? 0, reasonCode: REASON.success });
        return;
      case 'pingreq':
        this.#send({ cmd: 'pingresp' });
        return;
      case 'subscribe': {
        const granted = packet.subscriptions.map(({ topic: name }) => {
          const topic = parseTopic(name);
          const own = topic !== undefined && this.#mayUse(topic);
          return own ? 0 : this.#version === 5 ? REASON.notAuthorized : REASON.unspecified;
        });
        this.#send({ cmd: 'suback', messageId: packet.messageId ?? 0, granted });
        return;
      }
      case 'unsubscribe': {
        const granted = packet.unsubscriptions.map(() => REASON.success);
        this.#send({ cmd: 'unsuback', messageId: packet.messageId ?? 0, granted });
        return;
      }
      case 'disconnect':
        // MQTT 5.0, 3.14.4: a normal end takes the Last Will back.
        if (packet.reasonCode !== REASON.disconnectWithWill) this.#will = undefined;
        this.#acks.flush();
        this.#finish();
        return;
      default:
        this.#fail(REASON.protocolError);
    }
  }

  #onPublish(packet: IPublishPacket): void {
    // None were offered in CONNACK (MQTT 5.0, 3.2.2.3.8).
    if (packet.properties?.topicAlias !== undefined) {
      this.#fail(REASON.topicAliasInvalid);
      return;
    }
    if ((packet.length ?? 0) > MAX_PACKET_BYTES) {
      this.#fail(REASON.tooLarge);
      return;
    }
    if (packet.qos > 0 && packet.messageId === 0) {
      this.#fail(REASON.protocolError);
      return;
    }
    const topic = parseTopic(packet.topic);
    const ack = packet.qos === 0 ? undefined : this.#acks.owe(packet.messageId ?? 0, packet.qos);
    if (topic === undefined || !this.#mayUse(topic)) {
      this.#deps.count('not-authorized');
      // MQTT 3.1.1, 3.3.5: without reason codes, closing is the only way to say no.
      if (this.#version < 5) this.#socket.destroy();
      else ack?.settle(topic === undefined ? REASON.badTopic : REASON.notAuthorized);
      return;
    }
    const message = new DeviceMessage(packet, this.#heardAtMs, this.#right?.company, () => {
      this.#unackedBytes -= packet.payload.length;
      if (ack === undefined) this.#goOnWithRoom();
      else ack.settle();
    });
    this.#unackedBytes += packet.payload.length;
    this.#sender?.rate.spend(Math.max(0, LEAST_COST_BYTES - packet.payload.length), this.#heardAtMs);
    const { messages, bytes } = this.#limits();
    if (this.#acks.size >= messages || this.#unackedBytes >= bytes) this.#hold('unacknowledged');
    if (!this.#deps.take(message)) this.#hold('full');
  }

  #goOnWithRoom(): void {
    const { messages, bytes } = this.#limits();
    if (this.#acks.size <= messages / 2 && this.#unackedBytes <= bytes / 2) this.#release('unacknowledged');
  }

  #mayUse(topic: Topic): boolean {
    return this.#right !== undefined && this.#deps.mayUse(this.#right, topic);
  }

  #limits(): Sender['limits'] {
    return this.#sender?.limits ?? DEVICE;
  }

  #hold(reason: Hold): void {
    this.#held.add(reason);
    this.#socket.pause();
  }

  #release(reason: Hold): void {
    if (this.#held.delete(reason) && this.#held.size === 0) this.#socket.resume();
  }

  #send(packet: Packet): void {
    this.#write(generate(packet, { protocolVersion: this.#version }));
  }

  /** Who does not take what we answer is not read either, or the answers would fill the memory. */
  #write(bytes: Buffer): void {
    if (!this.#socket.writableEnded && !this.#socket.write(bytes)) this.#hold('unread');
  }

  #refuse(reasonCode: number): void {
    this.#deps.count('refused');
    this.#send({
      cmd: 'connack',
      sessionPresent: false,
      ...(this.#version === 5 ? { reasonCode } : { returnCode: RETURN_CODE_311[reasonCode] ?? 5 }),
    });
    this.#finish();
  }

  #fail(reasonCode: number): void {
    if (this.#phase === 'closed') return;
    if (reasonCode === REASON.protocolError) this.#deps.count('protocol-error');
    if (this.#phase === 'open' && this.#version === 5) this.#send({ cmd: 'disconnect', reasonCode });
    this.#finish();
  }

  /** Sends what there is to send, then closes, whatever the other side does. */
  #finish(): void {
    this.#phase = 'closed';
    this.#socket.resume();
    this.#socket.end();
    setTimeout(() => this.#socket.destroy(), LINGER_MS).unref();
  }

  #isClosed(): boolean {
    return this.#phase === 'closed';
  }

  #onClosed(): void {
    this.#phase = 'closed';
    this.#acks.end();
    const isGone = this.#deps.onClose(this);
    if (this.#will !== undefined && isGone) this.#deps.take(this.#will);
  }
}

class DeviceMessage implements Message {
  readonly topic: string;
  readonly payload: Buffer;
  readonly contentType: string | undefined;
  readonly receivedAtMs: number;
  readonly company: string | undefined;
  readonly acknowledge: () => void;

  constructor(
    packet: IPublishPacket,
    receivedAtMs: number,
    company: string | undefined,
    acknowledge: () => void,
  ) {
    this.topic = packet.topic;
    this.payload = typeof packet.payload === 'string' ? Buffer.from(packet.payload) : packet.payload;
    this.contentType = packet.properties?.contentType;
    this.receivedAtMs = receivedAtMs;
    this.company = company;
    this.acknowledge = acknowledge;
  }
}
