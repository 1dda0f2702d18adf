import { createLogger, runMain } from '@afterwatt/runtime';
import { readConfig } from './config.ts';
import { start } from './start.ts';

await runMain(async () => {
  const config = readConfig(process.env, process.argv.slice(2));
  return start(config, {
    log: createLogger('station', 'warn'),
    environment: process.env,
    execArgv: process.execArgv,
    print: (line) => process.stdout.write(`${line}\n`),
    write: (text) => process.stdout.write(text),
    isTerminal: process.stdout.isTTY === true,
  });
});
