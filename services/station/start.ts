// The whole of Afterwatt on one machine: Postgres, then ingest, rules and API as child processes, then the demo
// fleet. Stopped in the reverse order, so that what devices were told was taken is on disk before Postgres ends.

import { existsSync } from 'node:fs';
import { mkdir } from 'node:fs/promises';
import { createServer } from 'node:net';
import { join, resolve } from 'node:path';
import { fileURLToPath } from 'node:url';
import { type Logger, pause, type Started, StartupError, startWith } from '@afterwatt/runtime';
import { createApiClient } from './api-client.ts';
import type { StationConfig } from './config.ts';
import { openDatabase } from './database.ts';
import { DEMO_HOME, demoProgressSchema } from './demo.ts';
import { completeSignIns, readSignIns, type SignIns } from './sign-ins.ts';
import { supervise } from './supervisor.ts';

export interface StationDeps {
  readonly log: Logger;
  readonly environment: Readonly<Record<string, string | undefined>>;
  readonly execArgv: readonly string[];
  readonly print: (line: string) => void;
  /** Without a line's end. */
  readonly write: (text: string) => void;
  readonly isTerminal: boolean;
}

const READY_POLL_MS = 250;
const SERVICES = fileURLToPath(new URL('..', import.meta.url));

/** @throws StartupError when a port is taken, a URL does not answer, or the database's schema is not this program's */
export function start(config: StationConfig, deps: StationDeps): Promise<Started> {
  const { log, print } = deps;
  return startWith(log, async (releases) => {
    await checkPort('HTTP_PORT', config.httpPort);
    if (config.mqttUrl === undefined) await checkPort('MQTT_PORT', config.mqttPort);
    const dataDir = resolve(config.dataDir);
    const logDir = join(dataDir, 'log');
    const isFirstStart = !existsSync(join(dataDir, 'sign-ins.json'));
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
      AFTERWATT_DATA_DIR: dataDir,
      AFTERWATT_OPERATOR_TOKEN: signIns.operator,
    };
    const run = async (name: string, script: string, onMessage?: (message: unknown) => void) => {
      const child = await supervise({
        name,
        script: join(SERVICES, script),
        ...(onMessage === undefined ? {} : { onMessage }),
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
    const api = createApiClient(address, signIns.operator);
    while (!(await api.isReady())) await pause(READY_POLL_MS);
    if (config.demo) await run('demo', 'station/demo-main.ts', showProgress(deps));
    const people = await completeSignIns(dataDir, signIns, api, config.demo ? DEMO_HOME : undefined);
    for (const line of welcome(config, address, dataDir, people)) print(line);
  });
}

function welcome(config: StationConfig, address: string, dataDir: string, people: SignIns): string[] {
  const mqtt =
    config.mqttUrl === undefined
      ? `mqtt://127.0.0.1:${config.mqttPort}`
      : `broker ${new URL(config.mqttUrl).host}`;
  const roles = (['installer', 'homeowner', 'support', 'operator'] as const).flatMap((role) => {
    const token = people[role];
    return token === undefined ? [] : [`    ${role.padEnd(10)} ${token}`];
  });
  return [
    '',
    `  Console   ${address}`,
    `  Devices   ${mqtt}`,
    `  Data      ${dataDir} (logs in log/)`,
    '',
    '  Sign in at the console with one of these tokens:',
    ...roles,
    '',
    ...(config.demo ? ['  The demo fleet and all that happens to it is invented.'] : []),
    '  Stop with Ctrl-C.',
    '',
  ];
}

/** Rewrites one line on a terminal; elsewhere says every tenth. */
function showProgress({ isTerminal, print, write }: StationDeps): (message: unknown) => void {
  let told = -1;
  return (message) => {
    const progress = demoProgressSchema.parse(message);
    if (progress.kind === 'live') {
      print(`${isTerminal ? '\r' : ''}  Demo history written; the fleet goes on live.                `);
      return;
    }
    const percent = Math.floor(progress.share * 100);
    const text = `  Demo history: ${percent} % (${progress.readings.toLocaleString('en-US')} readings)`;
    if (isTerminal) {
      if (percent !== told) write(`\r${text}`);
    } else if (Math.floor(percent / 10) !== Math.floor(told / 10)) print(text);
    told = percent;
  };
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
