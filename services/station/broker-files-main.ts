// `npm run broker-files -- <directory> [--watch]`: Mosquitto's password and access files, from the database.

import { createLogger, runMain } from '@afterwatt/runtime';
import { keepBrokerFiles, readConfig } from './keep-broker-files.ts';

await runMain(async () => {
  const config = readConfig(process.env, process.argv.slice(2));
  return keepBrokerFiles(config, createLogger('broker-files', config.logLevel));
});
