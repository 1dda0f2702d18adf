import { readFileSync } from 'node:fs';
import { environmentFields, readEnvironment, StartupError } from '@afterwatt/runtime';
import type { Retention } from '@afterwatt/store';
import { z } from 'zod';

const name = z
  .string()
  .regex(/^[a-z0-9][a-z0-9-]{0,40}$/, 'must be lower-case letters, digits and hyphens, at most 41');

function days(least: number, most: number, usual: number) {
  return z.coerce
    .number('must be a number of days')
    .int('must be whole days')
    .min(least, `must be at least ${least} days`)
    .max(most, `must be at most ${most} days`)
    .default(usual);
}

const schema = z.object({
  DATABASE_URL: environmentFields.postgresUrl,
  MQTT_PORT: environmentFields.port(1883),
  MQTT_HOST: z.string().default('0.0.0.0'),
  MQTT_TLS_PORT: environmentFields.port(8883),
  MQTT_TLS_CERT: z.string().optional(),
  MQTT_TLS_KEY: z.string().optional(),
  MQTT_URL: environmentFields.mqttUrl
    .refine(
      (url) => !/^wss?:/.test(url),
      'must be mqtt:// or mqtts://: the broker is reached over TCP or TLS',
    )
    .optional(),
  INGEST_WORKER: name.default('ingest-1'),
  INGEST_GROUP: name.default('ingest'),
  INGEST_ALONE: z.enum(['true', 'false']).default('false'),
  RETENTION_DAYS: days(1, 400, 35),
  PACK_AFTER_DAYS: days(2, 400, 8),
  RETENTION_1M_DAYS: days(1, 36_500, 90),
  RETENTION_ROLLED_DAYS: days(400, 36_500, 3_650),
  LOG_LEVEL: environmentFields.logLevel,
});

/** More homes than that want a second worker. */
const MAX_CONNECTIONS = 20_000;

/** Where messages come from. */
export type SourceConfig =
  | {
      readonly kind: 'endpoint';
      readonly host: string;
      readonly port: number;
      readonly maxConnections: number;
      readonly tls: TlsConfig | undefined;
    }
  | {
      readonly kind: 'broker';
      readonly url: string;
      /** Workers of one group share the messages. A secret, where the broker lets anyone subscribe to anything. */
      readonly group: string;
      /** This worker takes all messages, and shares them with no other. */
      readonly alone: boolean;
    };

/** A second listener; certificate and key are PEM. */
export interface TlsConfig {
  readonly port: number;
  readonly cert: Buffer;
  readonly key: Buffer;
}

export interface IngestConfig {
  readonly databaseUrl: string;
  readonly source: SourceConfig;
  /** Stable from one start to the next: a broker keeps unacknowledged messages for this name. */
  readonly worker: string;
  readonly logLevel: string;
  readonly retention: Retention;
  /** Days of readings that ended so long ago are packed. */
  readonly packAfterDays: number;
  /** A batch is written when it holds so many readings … */
  readonly batchReadings: number;
  /** … or when its oldest message has waited so long. */
  readonly batchWaitMs: number;
  /** Bytes held in messages that are not committed yet; at this bound no more is taken from the source. */
  readonly heldBytes: number;
}

/** @throws StartupError naming every variable that does not parse */
export function readConfig(environment: Readonly<Record<string, string | undefined>>): IngestConfig {
  const parsed = readEnvironment(schema, environment);
  return {
    databaseUrl: parsed.DATABASE_URL,
    source:
      parsed.MQTT_URL === undefined
        ? {
            kind: 'endpoint',
            host: parsed.MQTT_HOST,
            port: parsed.MQTT_PORT,
            maxConnections: MAX_CONNECTIONS,
            tls: readTls(parsed),
          }
        : {
            kind: 'broker',
            url: parsed.MQTT_URL,
            group: parsed.INGEST_GROUP,
            alone: parsed.INGEST_ALONE === 'true',
          },
    worker: parsed.INGEST_WORKER,
    logLevel: parsed.LOG_LEVEL,
    retention: {
      readingDays: parsed.RETENTION_DAYS,
      // A coarser roll-up is made of those of 1 min, and may be as long as there are readings.
      minuteDays: Math.max(parsed.RETENTION_1M_DAYS, parsed.RETENTION_DAYS),
      coarseDays: Math.max(parsed.RETENTION_ROLLED_DAYS, parsed.RETENTION_1M_DAYS),
    },
    packAfterDays: parsed.PACK_AFTER_DAYS,
    batchReadings: 5_000,
    batchWaitMs: 20,
    heldBytes: 32 * 2 ** 20,
  };
}

function readTls(parsed: z.output<typeof schema>): TlsConfig | undefined {
  const { MQTT_TLS_CERT: cert, MQTT_TLS_KEY: key, MQTT_TLS_PORT: port } = parsed;
  if (cert === undefined && key === undefined) return undefined;
  if (cert === undefined || key === undefined)
    throw new StartupError('MQTT_TLS_CERT and MQTT_TLS_KEY: both must be set, or none.');
  return { port, cert: readPem('MQTT_TLS_CERT', cert), key: readPem('MQTT_TLS_KEY', key) };
}

function readPem(variable: string, path: string): Buffer {
  try {
    return readFileSync(path);
  } catch (error) {
    throw new StartupError(`${variable}: ${error instanceof Error ? error.message : String(error)}`);
  }
}
