import { environmentFields, readEnvironment, StartupError } from '@afterwatt/runtime';
import { z } from 'zod';

const schema = z.object({
  HTTP_PORT: environmentFields.port(8080),
  MQTT_PORT: environmentFields.port(1883),
  DATABASE_URL: environmentFields.postgresUrl.optional(),
  MQTT_URL: environmentFields.mqttUrl.optional(),
  AFTERWATT_DATA_DIR: z.string().default('.afterwatt'),
  AFTERWATT_OPERATOR_TOKEN: z.string().min(16, 'must have at least 16 characters').optional(),
  LOG_LEVEL: environmentFields.logLevel,
});

export interface StationConfig {
  readonly httpPort: number;
  readonly mqttPort: number;
  /** undefined = the embedded Postgres. */
  readonly databaseUrl: string | undefined;
  /** undefined = the ingest's own MQTT endpoint. */
  readonly mqttUrl: string | undefined;
  readonly dataDir: string;
  readonly operatorToken: string | undefined;
  readonly logLevel: string;
  readonly demo: boolean;
}

/** @throws StartupError naming what does not parse */
export function readConfig(
  environment: Readonly<Record<string, string | undefined>>,
  args: readonly string[],
): StationConfig {
  const unknown = args.filter((arg) => arg !== '--no-demo');
  if (unknown.length > 0) throw new StartupError(`Unknown argument ${unknown[0]}: only --no-demo is known.`);
  const parsed = readEnvironment(schema, environment);
  return {
    httpPort: parsed.HTTP_PORT,
    mqttPort: parsed.MQTT_PORT,
    databaseUrl: parsed.DATABASE_URL,
    mqttUrl: parsed.MQTT_URL,
    dataDir: parsed.AFTERWATT_DATA_DIR,
    operatorToken: parsed.AFTERWATT_OPERATOR_TOKEN,
    logLevel: parsed.LOG_LEVEL,
    demo: !args.includes('--no-demo'),
  };
}
