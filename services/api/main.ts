import { createLogger, runMain } from '@afterwatt/runtime';
import { readConfig } from './config.ts';
import { start } from './start.ts';

await runMain(async () => {
  const config = readConfig(process.env);
  return start(config, createLogger('api', config.logLevel));
});
