// Two hundred thousand readings through ingest while something breaks. Afterwards, what was acknowledged is stored,
// each reading once, and what was refused lies in quarantine.

import { spawnSync } from 'node:child_process';
import { mkdir, mkdtemp, rm, writeFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { freePort } from '@afterwatt/store';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { hasMosquitto, type Mosquitto, startMosquitto } from '../support/mosquitto.ts';
import { type OwnPostgres, startOwnPostgres } from '../support/own-postgres.ts';
import { makeCredentials } from '../support/register.ts';
import { type ServiceProcess, serviceProcess } from '../support/service-process.ts';
import { startTcpProxy, type TcpProxy } from '../support/tcp-proxy.ts';
import { duringTraffic, expectAllStored, registerFleet, startTraffic } from './traffic.ts';

const CASE_MS = 400_000;

let postgres: OwnPostgres;
const undo: (() => Promise<unknown>)[] = [];
beforeEach(async () => {
  postgres = await startOwnPostgres();
  undo.push(() => postgres.stop());
  await registerFleet(postgres.owner);
});
afterEach(async () => {
  for (const release of undo.splice(0).reverse()) await release();
});

async function startIngest(environment: Readonly<Record<string, string>>): Promise<ServiceProcess> {
  const process = serviceProcess('ingest', {
    DATABASE_URL: postgres.url,
    MQTT_HOST: '127.0.0.1',
    LOG_LEVEL: 'error',
    ...environment,
  });
  undo.push(() => process.kill());
  await process.start();
  return process;
}

async function proxyTo(port: number): Promise<TcpProxy> {
  const proxy = await startTcpProxy(port);
  undo.push(() => proxy.close());
  return proxy;
}

describe('through the endpoint', () => {
  it(
    'ingest is killed ten times',
    async () => {
      const port = await freePort();
      const ingest = await startIngest({ MQTT_PORT: `${port}` });
      const traffic = startTraffic(port, await makeCredentials(postgres.owner));
      await duringTraffic(traffic, 10, async () => {
        await ingest.kill();
        await ingest.start();
      });
      await traffic.done;
      await expectAllStored(postgres.owner);
      expect(await ingest.stop()).toBe(0);
    },
    CASE_MS,
  );

  it(
    'Postgres is killed three times, and ingest never ends',
    async () => {
      const port = await freePort();
      const ingest = await startIngest({ MQTT_PORT: `${port}` });
      const traffic = startTraffic(port, await makeCredentials(postgres.owner));
      await duringTraffic(traffic, 3, () => postgres.killAndRestart());
      await traffic.done;
      await expectAllStored(postgres.owner);
      expect(await ingest.stop(), ingest.output()).toBe(0);
    },
    CASE_MS,
  );

  it(
    'the network to the devices and the one to Postgres are cut and slowed',
    async () => {
      const port = await freePort();
      const toDatabase = await proxyTo(Number(new URL(postgres.url).port));
      const url = new URL(postgres.url);
      url.port = `${toDatabase.port}`;
      const ingest = await startIngest({ MQTT_PORT: `${port}`, DATABASE_URL: url.href });
      const toEndpoint = await proxyTo(port);
      const traffic = startTraffic(toEndpoint.port, await makeCredentials(postgres.owner));
      await duringTraffic(traffic, 6, async (index) => {
        const proxy = index % 2 === 0 ? toEndpoint : toDatabase;
        if (index < 4) proxy.cut();
        else proxy.slow(20);
        await sleep(700);
        proxy.mend();
      });
      await traffic.done;
      await expectAllStored(postgres.owner);
      expect(await ingest.stop(), ingest.output()).toBe(0);
    },
    CASE_MS,
  );
});

describe.skipIf(!hasMosquitto)('through a broker (needs Mosquitto)', () => {
  let broker: Mosquitto;
  beforeEach(async () => {
    broker = await startMosquitto();
    undo.push(() => broker.stop());
  });

  it(
    'ingest is killed ten times',
    async () => {
      const ingest = await startIngest({ MQTT_URL: broker.ingestUrl });
      const traffic = startTraffic(broker.port, broker.gateway);
      await duringTraffic(traffic, 10, async () => {
        await ingest.kill();
        await ingest.start();
      });
      await traffic.done;
      await expectAllStored(postgres.owner);
      expect(await ingest.stop()).toBe(0);
    },
    CASE_MS,
  );

  it(
    'the broker is restarted three times, and Postgres is killed once',
    async () => {
      // Mosquitto 2.0.11 does not find a shared subscription again when it restarts, and drops what comes before
      // ingest is back; an ordinary one it keeps.
      const ingest = await startIngest({ MQTT_URL: broker.ingestUrl, INGEST_ALONE: 'true' });
      const traffic = startTraffic(broker.port, broker.gateway);
      await duringTraffic(traffic, 4, (index) =>
        index === 1 ? postgres.killAndRestart() : broker.restart(),
      );
      await traffic.done;
      await expectAllStored(postgres.owner);
      expect(await ingest.stop(), ingest.output()).toBe(0);
    },
    CASE_MS,
  );

  it(
    'the network between ingest and the broker is cut',
    async () => {
      const toBroker = await proxyTo(broker.port);
      const url = new URL(broker.ingestUrl);
      url.port = `${toBroker.port}`;
      const ingest = await startIngest({ MQTT_URL: url.href });
      const traffic = startTraffic(broker.port, broker.gateway);
      await duringTraffic(traffic, 4, async () => {
        toBroker.cut();
        await sleep(300);
        toBroker.mend();
      });
      await traffic.done;
      await expectAllStored(postgres.owner);
      expect(await ingest.stop(), ingest.output()).toBe(0);
    },
    CASE_MS,
  );

  it(
    'of two workers, one is stopped half-way, and comes back for what the broker kept for it',
    async () => {
      const first = await startIngest({ MQTT_URL: broker.ingestUrl, INGEST_WORKER: 'ingest-1' });
      const second = await startIngest({ MQTT_URL: broker.ingestUrl, INGEST_WORKER: 'ingest-2' });
      const traffic = startTraffic(broker.port, broker.gateway);
      await duringTraffic(traffic, 1, async () => {
        expect(await second.stop(), second.output()).toBe(0);
      });
      await traffic.done;
      await second.start();
      await expectAllStored(postgres.owner);
      expect(await first.stop()).toBe(0);
      expect(await second.stop()).toBe(0);
    },
    CASE_MS,
  );
});

/** A file system of its own needs the right to mount one. */
const canMount = process.getuid?.() === 0 && spawnSync('unshare', ['--mount', 'true']).status === 0;

describe.skipIf(!canMount)("the disk of Postgres is full (needs root's right to mount)", () => {
  it(
    'nothing is acknowledged meanwhile, and all of it is stored once there is room',
    async () => {
      const directory = await mkdtemp(join(tmpdir(), 'afterwatt-test-small-'));
      const mounted = spawnSync('mount', ['-t', 'tmpfs', '-o', 'size=96m,mode=0777', 'tmpfs', directory]);
      expect(mounted.status, String(mounted.stderr)).toBe(0);
      undo.unshift(async () => {
        spawnSync('umount', ['-l', directory]);
        await rm(directory, { recursive: true, force: true });
      });
      const space = join(directory, 'space');
      await mkdir(space, { mode: 0o700 });
      const { pool } = postgres.owner;
      await pool.query(`create tablespace small location '${space}'`);
      await pool.query('grant create on tablespace small to public');
      await pool.query(`alter role all set default_tablespace = 'small'`);
      const port = await freePort();
      const ingest = await startIngest({ MQTT_PORT: `${port}` });
      const traffic = startTraffic(port, await makeCredentials(postgres.owner));
      await duringTraffic(traffic, 1, async () => {
        const ballast = join(directory, 'ballast');
        // As much as there is: the write ends where the disk does.
        await writeFile(ballast, Buffer.alloc(96 * 2 ** 20)).catch(() => {});
        await expect
          .poll(
            async () => {
              const before = traffic.acknowledged();
              await sleep(1_500);
              return traffic.acknowledged() - before;
            },
            { timeout: 60_000 },
          )
          .toBe(0);
        expect(traffic.acknowledged()).toBeLessThan(traffic.total);
        await rm(ballast);
      });
      await traffic.done;
      await expectAllStored(postgres.owner);
      expect(await ingest.stop(), ingest.output()).toBe(0);
    },
    CASE_MS,
  );
});
