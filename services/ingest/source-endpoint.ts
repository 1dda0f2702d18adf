// The worker's own MQTT 5 endpoint. A device's PUBACK waits for the commit: the hook that may refuse a publish
// runs before it, for many messages of a connection at once. Nothing is forwarded; this is no broker.

import { createHash, timingSafeEqual } from 'node:crypto';
import { createServer, type Server, type Socket } from 'node:net';
import { type Logger, StartupError } from '@afterwatt/runtime';
import { type Database, findPublishRight, type PublishRight } from '@afterwatt/store';
import { parseTopic } from '@afterwatt/wire';
import { Aedes, type AedesPublishPacket, type Client, type PublishPacket } from 'aedes';
import type { Message, Source, Take } from './message.ts';
import type { Registry } from './registry.ts';

/** A pack may be 1 MiB (wire's bound); topic, properties and header come on top. */
const MAX_PACKET_BYTES = 2 ** 20 + 16 * 1024;
/** Messages one device may have under way: with packs of 10 readings, ten minutes' backlog at 5 s. */
const RECEIVE_MAXIMUM = 100;

export interface EndpointDeps {
  readonly host: string;
  readonly port: number;
  readonly db: Database;
  readonly registry: Registry;
  readonly take: Take;
  readonly onRoom: (listener: () => void) => void;
  readonly log: Logger;
}

export interface Endpoint extends Source {
  readonly port: number;
}

/** @throws StartupError when the port can't be used */
export async function startEndpoint(deps: EndpointDeps): Promise<Endpoint> {
  const { db, log, registry, take } = deps;
  const rights = new WeakMap<Client, PublishRight>();
  const sockets = new Set<Socket>();

  const endpoint = await Aedes.createBroker({
    maximumPacketSize: MAX_PACKET_BYTES,
    receiveMaximum: RECEIVE_MAXIMUM,
    authenticate(client, username, password, done) {
      checkCredential(db, username, password).then(
        (right) => {
          if (right === undefined) {
            log.info({ username: username?.slice(0, 80) }, 'refused a connection: wrong credentials');
            done(Object.assign(new Error('wrong username or password'), { returnCode: 4 }), false);
            return;
          }
          rights.set(client, right);
          done(null, true);
        },
        (error: unknown) => {
          log.warn({ err: error }, 'cannot check credentials');
          done(Object.assign(new Error('cannot check credentials now'), { returnCode: 3 }), false);
        },
      );
    },
    authorizeSubscribe(client, subscription, done) {
      const right = rights.get(client);
      const topic = parseTopic(subscription.topic);
      const own = right !== undefined && topic !== undefined && mayUse(right, topic, registry);
      done(null, own ? subscription : null);
    },
    authorizePublish(client, packet, done) {
      const right = client === null ? undefined : rights.get(client);
      const topic = parseTopic(packet.topic);
      if (right === undefined || topic === undefined || !mayUse(right, topic, registry)) {
        done(new Error(`not allowed to publish to ${packet.topic}`));
        return;
      }
      const hasRoom = take(asMessage(packet, done));
      if (!hasRoom) for (const socket of sockets) socket.pause();
    },
  });
  deps.onRoom(() => {
    for (const socket of sockets) socket.resume();
  });
  endpoint.on('clientError', (client, error) => log.debug({ client: client.id, err: error }, 'client error'));
  endpoint.on('connectionError', (client, error) =>
    log.debug({ client: client.id, err: error }, 'connection error'),
  );

  const server = createServer((socket) => {
    sockets.add(socket);
    socket.once('close', () => sockets.delete(socket));
    socket.setNoDelay(true);
    endpoint.handle(socket);
  });
  await listen(server, deps.port, deps.host);
  const address = server.address();
  let closed: Promise<void> = Promise.resolve();
  return {
    port: address !== null && typeof address === 'object' ? address.port : deps.port,
    isConnected: () => true,
    stopTaking() {
      closed = new Promise<void>((resolve) => server.close(() => resolve()));
    },
    async close() {
      await new Promise<void>((resolve) => endpoint.close(() => resolve()));
      for (const socket of sockets) socket.destroy();
      await closed;
    },
  };
}

async function checkCredential(
  db: Database,
  username: string | undefined,
  password: Readonly<Buffer> | undefined,
): Promise<PublishRight | undefined> {
  if (username === undefined || password === undefined) return undefined;
  const right = await findPublishRight(db, username);
  const given = createHash('sha256').update(password).digest();
  // Compared also for an unknown name, so that the time tells nothing.
  const matches = timingSafeEqual(given, right?.secretSha256 ?? Buffer.alloc(32));
  return matches ? right : undefined;
}

function mayUse(right: PublishRight, topic: { site: string; device: string }, registry: Registry): boolean {
  if (right.site !== null) return topic.site === right.site && topic.device === right.device;
  // A gateway may publish for any site of its company, and for one that is not known yet: that is quarantined.
  const company = registry.companyOf(topic.site);
  return company === undefined || company === right.company;
}

function asMessage(
  packet: PublishPacket | AedesPublishPacket,
  done: (error?: Error | null) => void,
): Message {
  const payload = typeof packet.payload === 'string' ? Buffer.from(packet.payload) : packet.payload;
  return {
    topic: packet.topic,
    payload,
    contentType: packet.properties?.contentType,
    receivedAtMs: Date.now(),
    acknowledge: () => done(null),
  };
}

function listen(server: Server, port: number, host: string): Promise<void> {
  return new Promise((resolve, reject) => {
    server.once('error', (error: NodeJS.ErrnoException) => {
      reject(new StartupError(`MQTT_PORT: port ${port} can't be used (${error.code ?? error.message}).`));
    });
    server.listen(port, host, resolve);
  });
}
