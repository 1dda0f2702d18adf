// Connections to the broker, as devices make them: MQTT 5, QoS 1, a retained state with a Last Will.

import { encodeReadings, LAST_WILL, type Reading, topicOf } from '@afterwatt/wire';
import { connect, type IClientPublishOptions, type MqttClient } from 'mqtt';
import type { StateBody } from '../scenario.ts';

export interface Credential {
  readonly username: string;
  readonly secret: string;
}

/** A connection for each device, or one for all homes as a gateway has it. */
export type Credentials =
  | { readonly kind: 'device'; readonly of: (site: string, device: string) => Credential }
  | ({ readonly kind: 'gateway' } & Credential);

export interface ConnectionOptions {
  readonly url: string;
  readonly credentials: Credentials;
  /** SenML as JSON unless told. */
  readonly format?: 'json' | 'cbor';
  /** Sends that are not acknowledged soon after it are given up, and reject. */
  readonly signal?: AbortSignal;
}

export interface Connections {
  /** Resolve when the broker has acknowledged; after a lost connection the message is sent again. */
  sendReadings(site: string, device: string, readings: readonly Reading[]): Promise<void>;
  sendState(site: string, device: string, state: StateBody): Promise<void>;
  /** Says goodbye, so that no Last Will is published. */
  close(): Promise<void>;
}

interface Connection {
  readonly client: MqttClient;
  /** Rejects when the broker refuses the connection; never resolves. */
  readonly refused: Promise<never>;
}

const RECONNECT_MS = 1000;
const KEEP_ALIVE_S = 60;
/** How long an acknowledgement is still awaited once the signal has come. */
const STOP_GRACE_MS = 2000;

/** Connects each device when it first has something to send. A refused connection rejects what it was to send. */
export function openConnections({
  url,
  credentials,
  format = 'json',
  signal,
}: ConnectionOptions): Connections {
  const connections = new Map<string, Connection>();
  const stopped = stopAfter(signal);

  function connectionOf(site: string, device: string): Connection {
    const key = credentials.kind === 'gateway' ? 'gateway' : `${site}/${device}`;
    const known = connections.get(key);
    if (known !== undefined) return known;
    const { username, secret } = credentials.kind === 'gateway' ? credentials : credentials.of(site, device);
    const will = {
      topic: topicOf({ site, device, kind: 'state' }),
      payload: Buffer.from(LAST_WILL),
      qos: 1,
      retain: true,
    } as const;
    const client = connect(url, {
      protocolVersion: 5,
      username,
      password: secret,
      clientId: credentials.kind === 'gateway' ? `gateway-${username}` : `${site}-${device}`,
      keepalive: KEEP_ALIVE_S,
      reconnectPeriod: RECONNECT_MS,
      ...(credentials.kind === 'device' ? { will } : {}),
    });
    const refused = new Promise<never>((_, reject) => {
      // A CONNACK's reason is a number; a socket's error is a string, and the client tries again by itself.
      client.on('error', (error) => {
        if ('code' in error && typeof error.code === 'number') reject(error);
      });
    });
    refused.catch(() => {});
    const connection = { client, refused };
    connections.set(key, connection);
    return connection;
  }

  async function send(
    site: string,
    device: string,
    kind: 'readings' | 'state',
    payload: Buffer,
    options: IClientPublishOptions,
  ): Promise<void> {
    const { client, refused } = connectionOf(site, device);
    const acknowledged = client.publishAsync(topicOf({ site, device, kind }), payload, {
      ...options,
      qos: 1,
    });
    await Promise.race([acknowledged, refused, stopped]);
  }

  return {
    sendReadings: (site, device, readings) =>
      send(site, device, 'readings', Buffer.from(encodeReadings(readings, format)), {
        properties: { contentType: `application/senml+${format}` },
      }),
    sendState: (site, device, state) =>
      send(site, device, 'state', Buffer.from(JSON.stringify(state)), {
        retain: true,
        properties: { contentType: 'application/json' },
      }),
    async close() {
      await Promise.all([...connections.values()].map(({ client }) => client.endAsync(isBusy(client))));
    },
  };
}

/** Whether a client still waits for acknowledgements, which nobody awaits any more, or has no connection. */
function isBusy(client: MqttClient): boolean {
  return !client.connected || Object.keys(client.outgoing).length > 0;
}

function stopAfter(signal: AbortSignal | undefined): Promise<never> {
  const stopped = new Promise<never>((_, reject) => {
    signal?.addEventListener('abort', () => {
      setTimeout(() => reject(new Error('stopped before the broker acknowledged')), STOP_GRACE_MS).unref();
    });
  });
  stopped.catch(() => {});
  return stopped;
}
