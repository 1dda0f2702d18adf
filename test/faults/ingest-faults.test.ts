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
import {
  duringTraffic,
  expectAllStored,
  expectStoredAsIngestSays,
  READINGS,
  registerFleet,
  startTraffic,
  type Traffic,
} from './traffic.ts';

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

/** One way for readings to come: where ingest takes them from, and where devices send them to. */
interface Way {
  readonly name: string;
  readonly isThere: boolean;
  /** @param alone takes all of a broker's messages, which such a one keeps also over its own restart */
  open(alone?: boolean): Promise<{
    /** For ingest. */
    readonly environment: Readonly<Record<string, string>>;
    /** Where devices send to. */
    readonly port: number;
    readonly credentials: { readonly username: string; readonly secret: string };
    readonly broker: Mosquitto | undefined;
  }>;
}

const WAYS: readonly Way[] = [
  {
    name: 'through the endpoint',
    isThere: true,
    async open() {
      const port = await freePort();
      const credentials = await makeCredentials(postgres.owner);
      return { environment: { MQTT_PORT: `${port}` }, port, credentials, broker: undefined };
    },
  },
  {
    name: 'through a broker (needs Mosquitto)',
    isThere: hasMosquitto,
    async open(alone = false) {
      const broker = await startMosquitto();
      undo.push(() => broker.stop());
      const environment = { MQTT_URL: broker.ingestUrl, INGEST_ALONE: `${alone}` };
      return { environment, port: broker.port, credentials: broker.gateway, broker };
    },
  },
];

/** All is acknowledged, all of it is stored once, and ingest, which nothing of this may end, ends when it is told to. */
async function expectNothingLost(traffic: Traffic, ...workers: readonly ServiceProcess[]): Promise<void> {
  await traffic.done;
  await expectAllStored(postgres.owner);
  for (const worker of workers) expect(await worker.stop(), worker.output()).toBe(0);
}

/** Three ways in which a network fails, one after the other. */
const NETWORK_FAULTS: readonly ((proxy: TcpProxy) => void)[] = [
  (proxy) => proxy.cut(),
  (proxy) => proxy.stall(),
  (proxy) => proxy.slow(20),
];

/** A file system of its own needs the right to mount one. */
const canMount = process.getuid?.() === 0 && spawnSync('unshare', ['--mount', 'true']).status === 0;

for (const way of WAYS) {
  describe.skipIf(!way.isThere)(way.name, () => {
    it(
      'ingest is killed ten times',
      async () => {
        const { environment, port, credentials } = await way.open();
        const ingest = await startIngest(environment);
        const traffic = startTraffic(port, credentials);
        await duringTraffic(traffic, 10, async () => {
          await ingest.kill();
          await ingest.start();
        });
        await expectNothingLost(traffic, ingest);
      },
      CASE_MS,
    );

    it(
      'Postgres is killed three times, and ingest never ends',
      async () => {
        const { environment, port, credentials } = await way.open();
        const ingest = await startIngest(environment);
        const traffic = startTraffic(port, credentials);
        await duringTraffic(traffic, 3, () => postgres.killAndRestart());
        await expectNothingLost(traffic, ingest);
      },
      CASE_MS,
    );

    it(
      'the network between each pair is cut, stalled and slowed',
      async () => {
        const { environment, port, credentials, broker } = await way.open();
        const url = new URL(postgres.url);
        const toDatabase = await proxyTo(Number(url.port));
        url.port = `${toDatabase.port}`;
        const proxies = [toDatabase];
        const through = { ...environment, DATABASE_URL: url.href };
        if (broker !== undefined) {
          const toBroker = await proxyTo(broker.port);
          const brokerUrl = new URL(broker.ingestUrl);
          brokerUrl.port = `${toBroker.port}`;
          Object.assign(through, { MQTT_URL: brokerUrl.href });
          proxies.push(toBroker);
        }
        const ingest = await startIngest(through);
        const fromDevices = await proxyTo(port);
        proxies.push(fromDevices);
        const traffic = startTraffic(fromDevices.port, credentials);
        await duringTraffic(traffic, proxies.length * NETWORK_FAULTS.length, async (index) => {
          const proxy = proxies[index % proxies.length];
          if (proxy === undefined) return;
          NETWORK_FAULTS[Math.floor(index / proxies.length)]?.(proxy);
          await sleep(700);
          proxy.mend();
        });
        await expectNothingLost(traffic, ingest);
      },
      CASE_MS,
    );

    it.skipIf(!canMount)(
      "the disk of Postgres is full: nothing is acknowledged until there is room (needs root's right to mount)",
      async () => {
        const directory = await mountSmallDisk();
        const { environment, port, credentials, broker } = await way.open();
        const ingest = await startIngest(environment);
        const traffic = startTraffic(port, credentials);
        await duringTraffic(traffic, 1, async () => {
          const ballast = join(directory, 'ballast');
          // As much as there is: the write ends where the disk does.
          await writeFile(ballast, Buffer.alloc(SMALL_DISK_MIB * 2 ** 20)).catch(() => {});
          const stored = async () => {
            const before = await countReadings();
            await sleep(1_500);
            return (await countReadings()) - before;
          };
          await expect.poll(stored, { timeout: 60_000 }).toBe(0);
          // A broker acknowledges for itself, and keeps what ingest does not take.
          if (broker === undefined) expect(traffic.acknowledged()).toBeLessThan(traffic.total);
          expect(await countReadings()).toBeLessThan(READINGS);
          await rm(ballast);
        });
        await expectNothingLost(traffic, ingest);
      },
      CASE_MS,
    );
  });
}

describe('through the endpoints of two workers', () => {
  it(
    'one is stopped half-way, and its devices go to the other',
    async () => {
      const [firstPort, secondPort] = [await freePort(), await freePort()];
      const first = await startIngest({ MQTT_PORT: `${firstPort}`, INGEST_WORKER: 'ingest-1' });
      const second = await startIngest({ MQTT_PORT: `${secondPort}`, INGEST_WORKER: 'ingest-2' });
      const balancer = await proxyTo(secondPort);
      const credentials = await makeCredentials(postgres.owner);
      // Both bring the same readings, so that they also meet in the database.
      const traffic = startTraffic(balancer.port, credentials);
      const same = startTraffic(firstPort, credentials, 'twin');
      await duringTraffic(traffic, 1, async () => {
        expect(await second.stop(), second.output()).toBe(0);
        balancer.redirect(firstPort);
      });
      await same.done;
      await expectNothingLost(traffic, first);
    },
    CASE_MS,
  );
});

describe.skipIf(!hasMosquitto)('through a broker that fails (needs Mosquitto)', () => {
  let broker: Mosquitto;
  beforeEach(async () => {
    // It writes to disk as often as the shipped configuration has it.
    broker = await startMosquitto({ autosave_interval: 5 });
    undo.push(() => broker.stop());
  });

  it(
    'it is restarted three times',
    async () => {
      // Mosquitto 2.0.11 does not find a shared subscription again when it restarts, and drops what comes before
      // ingest is back; an ordinary one it keeps.
      const ingest = await startIngest({ MQTT_URL: broker.ingestUrl, INGEST_ALONE: 'true' });
      const traffic = startTraffic(broker.port, broker.gateway);
      await duringTraffic(traffic, 3, () => broker.restart());
      await expectNothingLost(traffic, ingest);
    },
    CASE_MS,
  );

  it(
    'it is killed three times: what ingest took is stored, what only the broker had may be gone',
    async () => {
      const ingest = await startIngest({ MQTT_URL: broker.ingestUrl, INGEST_ALONE: 'true' });
      const traffic = startTraffic(broker.port, broker.gateway);
      await duringTraffic(traffic, 3, async () => {
        await broker.kill();
        await broker.start();
      });
      await traffic.done;
      const lost = await expectStoredAsIngestSays(postgres.owner, 'ingest-1');
      console.log(
        `Mosquitto, killed three times, lost ${lost} of ${READINGS} readings that it had acknowledged.`,
      );
      expect(lost).toBeLessThan(READINGS / 2);
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
      await expectNothingLost(traffic, first, second);
    },
    CASE_MS,
  );
});

const SMALL_DISK_MIB = 96;

/** All that is written from now on goes to a disk of its own. @returns where that is */
async function mountSmallDisk(): Promise<string> {
  const directory = await mkdtemp(join(tmpdir(), 'afterwatt-test-small-'));
  const options = `size=${SMALL_DISK_MIB}m,mode=0777`;
  const mounted = spawnSync('mount', ['-t', 'tmpfs', '-o', options, 'tmpfs', directory]);
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
  return directory;
}

async function countReadings(): Promise<number> {
  const found = await postgres.owner.pool.query<{ n: number }>('select count(*) as n from meter_reading');
  return found.rows[0]?.n ?? 0;
}
