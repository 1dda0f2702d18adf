// The whole of Afterwatt on one machine: Postgres, then ingest, rules and API as child processes, then the demo
// fleet. Stopped in the reverse order, so that what devices were told was taken is on disk before Postgres ends.

import { existsSync } from 'node:fs';
import { mkdir } from 'node:fs/promises';
import { createServer } from 'node:net';
import { join, resolve } from 'node:path';
import { fileURLToPath } from 'node:url';
import { type Logger, type Started, StartupError, startWith } from '@afterwatt/runtime';
import type { StationConfig } from './config.ts';
import { openDatabase } from './database.ts';
import { readSignIns, type SignIn } from './sign-ins.ts';
import { supervise } from './supervisor.ts';

export interface StationDeps {
  readonly log: Logger;
  readonly environment: Readonly<Record<string, string | undefined>>;
  readonly execArgv: readonly string[];
  readonly print: (line: string) => void;
  readonly isTerminal: boolean;
}

const SERVICES = fileURLToPath(new URL('..', import.meta.url));

/** @throws StartupError when a port is taken, a URL does not answer, or the database's schema is not this program's */
export function start(config: StationConfig, deps: StationDeps): Promise<Started> {
  const { log, print } = deps;
  return startWith(log, async (releases) => {
    await checkPort('HTTP_PORT', config.httpPort);
    if (config.mqttUrl === undefined) await checkPort('MQTT_PORT', config.mqttPort);
    const dataDir = resolve(config.dataDir);
    const logDir = join(dataDir, 'log');
    const isFirstStart = !existsSync(dataDir);
    await mkdir(logDir, { recursive: true });
    print(isFirstStart ? 'Afterwatt: first start, setting up its database.' : 'Afterwatt: starting.');

    const databaseUrl = await openDatabase(config, log, releases);
    const signIns = await readSignIns(dataDir, config.operatorToken);
    const environment = {
      ...deps.environment,
      DATABASE_URL: databaseUrl,
      HTTP_PORT: `${config.httpPort}`,
      MQTT_PORT: `${config.mqttPort}`,
      MQTT_URL: config.mqttUrl ?? '',
      LOG_LEVEL: config.logLevel,
      AFTERWATT_OPERATOR_TOKEN: signIns.operator,
    };
    const run = async (name: string, script: string, args: readonly string[] = []) => {
      const child = await supervise({
        name,
        script: join(SERVICES, script),
        args,
        environment,
        execArgv: deps.execArgv,
        logFile: join(logDir, `${name}.log`),
        log,
      });
      releases.add(name, () => child.stop());
    };
    await run('rules', 'rules/main.ts');
    await run('ingest', 'ingest/main.ts');
    await run('api', 'api/main.ts');

    const address = `http://127.0.0.1:${config.httpPort}`;
    const people = await signInPeople(address, signIns.operator, config.demo);
    print('');
    print(`  Console   ${address}`);
    print(
      config.mqttUrl === undefined
        ? `  MQTT      mqtt://127.0.0.1:${config.mqttPort}`
        : `  MQTT      ${new URL(config.mqttUrl).host}`,
    );
    print(`  Data      ${dataDir} (logs in ${logDir})`);
    print('');
    print('  Sign in with one of these tokens:');
    for (const person of people) print(`    ${person.role.padEnd(10)} ${person.token}  ${person.note}`);
    print('');
    if (config.demo) {
      await run('demo', 'station/demo-main.ts');
    }
    print('  Stop with Ctrl-C.');
  });
}

/** A set port that is taken is the person's to know, in one line, before anything is made. */
async function checkPort(name: string, port: number): Promise<void> {
  await new Promise<void>((resolve, reject) => {
    const server = createServer();
    server.once('error', (error: NodeJS.ErrnoException) => {
      reject(new StartupError(`${name}: port ${port} can't be used (${error.code ?? error.message}).`));
    });
    server.listen(port, () => server.close(() => resolve()));
  });
}

async function signInPeople(_address: string, operator: string, _demo: boolean): Promise<SignIn[]> {
  return [{ role: 'operator', token: operator, note: '' }];
}
