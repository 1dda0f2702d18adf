// The worker's own MQTT endpoint, for devices and gateways to connect to without a broker between: a PUBACK from
// here says that the readings are committed.

import { createHash, timingSafeEqual } from 'node:crypto';
import { createServer as createTcpServer, type Server, type Socket } from 'node:net';
import { createServer as createTlsServer } from 'node:tls';
import { isTransient, type Logger, StartupError } from '@afterwatt/runtime';
import { type Database, listUsernamesInForce, type PublishRight } from '@afterwatt/store';
import type { Topic } from '@afterwatt/wire';
import { type CredentialLookup, createCredentialLookup } from './credential-lookup.ts';
import { CONNECT_WITHIN_MS, type ConnectionEvent, DeviceConnection } from './device-connection.ts';
import type { Source, Take } from './message.ts';
import type { Registry } from './registry.ts';
import { createSenders } from './senders.ts';

const CHECK_ALIVE_EVERY_MS = 5_000;
/** A credential that was revoked ends its connections within so long. */
const CHECK_CREDENTIALS_EVERY_MS = 15_000;
/** An attack must not fill the log's disk. */
const REFUSALS_LOGGED_A_MINUTE = 30;
/** Connections take their leave within so long, or are cut. */
const CLOSE_WITHIN_MS = 2_000;
/** After a start, devices need this long to come back with what they held; till then silence says nothing. */
const SETTLE_MS = 15_000;

export interface EndpointDeps {
  readonly host: string;
  readonly port: number;
  /** At each listener. */
  readonly maxConnections: number;
  /** A second listener, for TLS. */
  readonly tls: { readonly port: number; readonly cert: Buffer; readonly key: Buffer } | undefined;
  readonly db: Database;
  readonly registry: Registry;
  readonly take: Take;
  readonly onRoom: (listener: () => void) => void;
  readonly count: (what: ConnectionEvent) => void;
  readonly log: Logger;
}

export interface Endpoint extends Source {
  readonly port: number;
  readonly tlsPort: number | undefined;
}

/** @throws StartupError when a port can't be used */
export async function startEndpoint(deps: EndpointDeps): Promise<Endpoint> {
  const { db, log, registry } = deps;
  const connections = new Set<DeviceConnection>();
  const sessions = new Map<string, DeviceConnection>();
  const senders = createSenders<DeviceConnection>();
  const findRight = createCredentialLookup(db);
  const refusals = { lines: 0, sinceMs: 0 };
  const startedMs = Date.now();
  let full = false;
  let stopping = false;

  const take: Take = (message) => {
    if (!deps.take(message) && !full) {
      full = true;
      for (const connection of connections) connection.hold();
    }
    return !full;
  };
  deps.onRoom(() => {
    full = false;
    if (!stopping) for (const connection of connections) connection.goOn();
  });

  async function authenticate(
    username: string | undefined,
    secret: Buffer | undefined,
    { remoteAddress }: Socket,
  ) {
    try {
      const right = await checkSecret(findRight, username, secret);
      if (right === undefined) logRefusal(username, remoteAddress);
      return right;
    } catch (error) {
      log.warn({ err: error }, 'cannot look up credentials');
      return 'unavailable';
    }
  }

  /** Who was refused, but never with what; so many lines a minute at most, whatever comes. */
  function logRefusal(username: string | undefined, address: string | undefined): void {
    const nowMs = Date.now();
    if (nowMs - refusals.sinceMs > 60_000) Object.assign(refusals, { lines: 0, sinceMs: nowMs });
    refusals.lines += 1;
    if (refusals.lines > REFUSALS_LOGGED_A_MINUTE) return;
    log.warn(
      { username: username?.slice(0, 200), address },
      'refused a connection: unknown name or wrong secret',
    );
  }

  function accept(socket: Socket): void {
    const connection = new DeviceConnection({
      socket,
      authenticate,
      mayUse: (right, topic) => mayUse(right, topic, registry),
      take,
      onOpen(opened, right) {
        sessions.get(opened.session)?.end('takenOver');
        sessions.set(opened.session, opened);
        const { sender, crowdedOut } = senders.join(opened, right);
        if (crowdedOut !== undefined) {
          deps.count('crowded-out');
          crowdedOut.end('quotaExceeded');
        }
        return sender;
      },
      onClose(closed) {
        connections.delete(closed);
        if (sessions.get(closed.session) === closed) sessions.delete(closed.session);
        return senders.leave(closed);
      },
      count: deps.count,
    });
    connections.add(connection);
    if (full || stopping) connection.hold();
  }

  const alive = setInterval(() => {
    const nowMs = Date.now();
    for (const connection of connections) connection.checkAlive(nowMs);
    senders.forgetRested(nowMs);
  }, CHECK_ALIVE_EVERY_MS);
  const credentials = setInterval(() => {
    endRevoked().catch((error: unknown) => {
      if (!isTransient(error)) log.error({ err: error }, 'cannot check credentials again');
    });
  }, CHECK_CREDENTIALS_EVERY_MS);

  async function endRevoked(): Promise<void> {
    const usernames = [...new Set([...sessions.values()].map((connection) => connection.username))];
    if (usernames.length === 0) return;
    const inForce = new Set(await listUsernamesInForce(db, usernames));
    const known = new Set(usernames);
    for (const connection of sessions.values()) {
      const { username } = connection;
      if (known.has(username) && !inForce.has(username)) connection.end('notAuthorized');
    }
  }

  // Beyond, connections are closed before they cost anything.
  const limit = (server: Server) => {
    server.maxConnections = deps.maxConnections;
    server.on('drop', () => deps.count('refused'));
  };
  const server = createTcpServer(accept);
  limit(server);
  await listen(server, 'MQTT_PORT', deps.port, deps.host);
  const servers = [server];
  /** Under TLS connections; one that never gets through its handshake has nothing else to end it by. */
  const handshaking = new Set<Socket>();
  let tlsPort: number | undefined;
  if (deps.tls !== undefined) {
    const { cert, key, port } = deps.tls;
    const tlsServer = createTlsServer({ cert, key, handshakeTimeout: CONNECT_WITHIN_MS }, accept);
    limit(tlsServer);
    tlsServer.on('connection', (socket: Socket) => {
      handshaking.add(socket);
      socket.once('close', () => handshaking.delete(socket));
    });
    // A plain connection, or an old protocol: its socket is closed, and nobody else is disturbed.
    tlsServer.on('tlsClientError', () => deps.count('protocol-error'));
    await listen(tlsServer, 'MQTT_TLS_PORT', port, deps.host);
    servers.push(tlsServer);
    tlsPort = portOf(tlsServer);
  }

  let closed: Promise<unknown> = Promise.resolve();
  return {
    port: portOf(server),
    tlsPort,
    isConnected: () => Date.now() - startedMs > SETTLE_MS,
    stopTaking() {
      stopping = true;
      clearInterval(alive);
      clearInterval(credentials);
      closed = Promise.all(servers.map((one) => new Promise((resolve) => one.close(resolve))));
      for (const connection of connections) connection.hold();
    },
    async close() {
      for (const connection of connections) connection.end('shuttingDown');
      const late = setTimeout(() => {
        for (const socket of handshaking) socket.destroy();
      }, CLOSE_WITHIN_MS);
      await closed;
      clearTimeout(late);
    },
  };
}

async function checkSecret(
  findRight: CredentialLookup,
  username: string | undefined,
  secret: Buffer | undefined,
): Promise<PublishRight | undefined> {
  if (username === undefined || secret === undefined) return undefined;
  const right = await findRight(username);
  const given = createHash('sha256').update(secret).digest();
  // Compared also for an unknown name, so that the time tells nothing.
  const matches = timingSafeEqual(given, right?.secretSha256 ?? Buffer.alloc(given.length));
  return matches ? right : undefined;
}

function mayUse(right: PublishRight, topic: Topic, registry: Registry): boolean {
  if (right.site !== null) return topic.site === right.site && topic.device === right.device;
  // A gateway may publish for any site of its company, and for one that is not known yet: that is looked up again.
  const company = registry.companyOf(topic.site);
  return company === undefined || company === right.company;
}

function listen(server: Server, variable: string, port: number, host: string): Promise<void> {
  return new Promise((resolve, reject) => {
    server.once('error', (error: NodeJS.ErrnoException) => {
      reject(new StartupError(`${variable}: port ${port} can't be used (${error.code ?? error.message}).`));
    });
    server.listen({ port, host, backlog: 4096 }, resolve);
  });
}

function portOf(server: Server): number {
  const address = server.address();
  return address !== null && typeof address === 'object' ? address.port : 0;
}
