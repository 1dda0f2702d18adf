import { createLogger, environmentFields, readEnvironment, runMain } from '@afterwatt/runtime';
import { z } from 'zod';
import { createApiClient } from './api-client.ts';
import { startDemo } from './demo.ts';

const schema = z.object({
  HTTP_PORT: environmentFields.port(8080),
  MQTT_PORT: environmentFields.port(1883),
  MQTT_URL: environmentFields.mqttUrl.optional(),
  AFTERWATT_DATA_DIR: z.string(),
  AFTERWATT_OPERATOR_TOKEN: z.string(),
  LOG_LEVEL: environmentFields.logLevel,
});

await runMain(async () => {
  const environment = readEnvironment(schema, process.env);
  const api = createApiClient(
    `http://127.0.0.1:${environment.HTTP_PORT}`,
    environment.AFTERWATT_OPERATOR_TOKEN,
  );
  const mqttUrl = environment.MQTT_URL ?? `mqtt://127.0.0.1:${environment.MQTT_PORT}`;
  const log = createLogger('demo', environment.LOG_LEVEL);
  return startDemo(
    { dataDir: environment.AFTERWATT_DATA_DIR, mqttUrl },
    { api, log, report: (progress) => process.send?.(progress) },
  );
});
