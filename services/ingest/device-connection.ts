// One device's, or gateway's, connection to the endpoint, from CONNECT to its end: MQTT 3.1.1 and 5.0. Nothing is
// kept for a device between connections and nothing is forwarded to it, so that all there is to a session is the
// acknowledgements owed, and these wait for the commit. QoS 2 needs no memory either: a message taken twice is
// stored once.

import type { Socket } from 'node:net';
import type { PublishRight } from '@afterwatt/store';
import { parseTopic, type Topic } from '@afterwatt/wire';
import { generate, type IConnectPacket, type IPublishPacket, type Packet, parser } from 'mqtt-packet';
import { ByteRate } from './byte-rate.ts';
import type { Message, Take } from './message.ts';
import { OrderedAcks } from './ordered-acks.ts';

/** A pack may be 1 MiB (wire's bound); topic, properties and header come on top. */
const MAX_PACKET_BYTES = 2 ** 20 + 16 * 1024;
/** CONNECT with a Last Will; who has not said who it is gets no more. */
const MAX_CONNECT_BYTES = 80 * 1024;
const CONNECT_WITHIN_MS = 10_000;

/**
 * What one connection may have unacknowledged, so that none can fill the buffer that all share; and how fast it may
 * send in the long run (bytes a second, a message counting as at least 1 KiB). A device at 256 KiB/s brings a week's
 * backlog of readings every 5 s in about four minutes. A gateway speaks for thousands of devices.
 */
const LIMITS = {
  device: { messages: 100, bytes: 2 * 2 ** 20, bytesPerSecond: 256 * 1024, burstBytes: 8 * 2 ** 20 },
  gateway: { messages: 10_000, bytes: 8 * 2 ** 20, bytesPerSecond: 2 ** 30, burstBytes: 2 ** 30 },
} as const;
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
  tooLarge: 0x95,
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
  ) => Promise<PublishRight | undefined | 'unavailable'>;
  readonly mayUse: (right: PublishRight, topic: Topic) => boolean;
  readonly take: Take;
  /** Called when it has said who it is. */
  readonly onOpen: (connection: DeviceConnection) => void;
  readonly onClose: (connection: DeviceConnection) => void;
  readonly count: (what: ConnectionEvent) => void;
}

export type ConnectionEvent = 'connected' | 'refused' | 'not-authorized' | 'throttled' | 'protocol-error';

export class DeviceConnection {
  readonly #deps: ConnectionDeps;
  readonly #socket: Socket;
  readonly #parser = parser();
  readonly #acks: OrderedAcks;
  /** Packets that came behind CONNECT while the credential was looked up. */
  #early: Packet[] = [];
  #phase: 'new' | 'authenticating' | 'open' | 'closed' = 'new';
  #version = 4;
  #right: PublishRight | undefined;
  #will: Message | undefined;
  #limits: (typeof LIMITS)['device' | 'gateway'] = LIMITS.device;
  #rate = new ByteRate(LIMITS.device);
  #unackedBytes = 0;
  #keepAliveMs = CONNECT_WITHIN_MS;
  #heardAtMs = Date.now();
  /** Reasons why nothing is read now. */
  readonly #held = new Set<'full' | 'unacknowledged' | 'rate' | 'authenticating'>();
  #username = '';
  #clientId = '';

  constructor(deps: ConnectionDeps) {
    this.#deps = deps;
    this.#socket = deps.socket;
    this.#acks = new OrderedAcks(
      (bytes) => this.#socket.write(bytes),
      () => this.#goOnWithRoom(),
    );
    this.#parser.on('packet', (packet) => this.#onPacket(packet));
    this.#parser.on('error', () => this.#fail(REASON.protocolError));
    deps.socket.setNoDelay(true);
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

  /** Ends a connection on which nothing came for one and a half times its keep-alive (MQTT 5.0, 3.1.2.10). */
  checkAlive(nowMs: number): void {
    if (this.#held.size > 0) this.#heardAtMs = nowMs;
    else if (nowMs - this.#heardAtMs > this.#keepAliveMs) this.#socket.destroy();
  }

  end(why: 'takenOver' | 'shuttingDown' | 'notAuthorized'): void {
    // A worker that stops says nothing about its devices.
    if (why === 'shuttingDown') this.#will = undefined;
    this.#acks.flush();
    this.#fail(REASON[why]);
  }

  #onData(chunk: Buffer): void {
    this.#heardAtMs = Date.now();
    const left = this.#parser.parse(chunk);
    if (this.#phase === 'closed') return;
    if (left > (this.#phase === 'open' ? MAX_PACKET_BYTES : MAX_CONNECT_BYTES)) {
      this.#fail(REASON.tooLarge);
      return;
    }
    const waitMs = this.#rate.spend(chunk.length, this.#heardAtMs);
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
    this.#deps.authenticate(packet.username, packet.password).then((right) => {
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
    this.#limits = right.site === null ? LIMITS.gateway : LIMITS.device;
    this.#rate = new ByteRate(this.#limits);
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
    this.#deps.onOpen(this);
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
      receiveMaximum: this.#limits.messages,
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
        this.#socket.end();
        return;
      default:
        this.#fail(REASON.protocolError);
    }
  }

  #onPublish(packet: IPublishPacket): void {
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
    this.#rate.spend(Math.max(0, LEAST_COST_BYTES - packet.payload.length), this.#heardAtMs);
    if (this.#acks.size >= this.#limits.messages || this.#unackedBytes >= this.#limits.bytes) {
      this.#hold('unacknowledged');
    }
    if (!this.#deps.take(message)) this.#hold('full');
  }

  #goOnWithRoom(): void {
    const { messages, bytes } = this.#limits;
    if (this.#acks.size <= messages / 2 && this.#unackedBytes <= bytes / 2) this.#release('unacknowledged');
  }

  #mayUse(topic: Topic): boolean {
    return this.#right !== undefined && this.#deps.mayUse(this.#right, topic);
  }

  #hold(reason: 'full' | 'unacknowledged' | 'rate' | 'authenticating'): void {
    this.#held.add(reason);
    this.#socket.pause();
  }

  #release(reason: 'full' | 'unacknowledged' | 'rate' | 'authenticating'): void {
    if (this.#held.delete(reason) && this.#held.size === 0) this.#socket.resume();
  }

  #send(packet: Packet): void {
    if (!this.#socket.writableEnded) this.#socket.write(generate(packet, { protocolVersion: this.#version }));
  }

  #refuse(reasonCode: number): void {
    this.#deps.count('refused');
    this.#phase = 'closed';
    this.#send({
      cmd: 'connack',
      sessionPresent: false,
      ...(this.#version === 5 ? { reasonCode } : { returnCode: RETURN_CODE_311[reasonCode] ?? 5 }),
    });
    this.#socket.end();
  }

  #fail(reasonCode: number): void {
    const wasOpen = this.#phase === 'open';
    if (this.#phase === 'closed') return;
    if (reasonCode === REASON.protocolError) this.#deps.count('protocol-error');
    this.#phase = 'closed';
    if (wasOpen && this.#version === 5) this.#send({ cmd: 'disconnect', reasonCode });
    this.#socket.resume();
    this.#socket.end();
    setTimeout(() => this.#socket.destroy(), 1_000).unref();
  }

  #onClosed(): void {
    this.#phase = 'closed';
    this.#acks.end();
    this.#deps.onClose(this);
    if (this.#will !== undefined) this.#deps.take(this.#will);
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
