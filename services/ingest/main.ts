import { setFlagsFromString } from 'node:v8';
import { createLogger, runMain } from '@afterwatt/runtime';
import { readConfig } from './config.ts';
import { start } from './start.ts';

// What sockets read is memory outside of the heap that counts as the heap's growth, so that with V8's usual factor, 1.1
// for a heap as small as this, all of it was gone through every 20,000 readings: a third of our processor time. Three
// times the heap may come together first, some 80 MiB.
setFlagsFromString('--heap-growing-percent=300');

await runMain(async () => {
  const config = readConfig(process.env);
  return start(config, createLogger('ingest', config.logLevel));
});
