import { setFlagsFromString } from 'node:v8';
import { createLogger, runMain } from '@afterwatt/runtime';
import { readConfig } from './config.ts';
import { start } from './start.ts';

// What sockets read is memory outside of the heap that counts as the heap's growth, so that with V8's usual factor of
// about 1.1 on a heap this small all of it was gone through some twenty times a second at full speed: a third of our
// processor time. Three times as much may come together first, some 80 MiB.
setFlagsFromString('--heap-growing-percent=300');

await runMain(async () => {
  const config = readConfig(process.env);
  return start(config, createLogger('ingest', config.logLevel));
});
