// The endpoint as a process of its own, with a certificate made for the test: TLS, what its log says of who was
// refused, and its end while connections hang.

import { spawnSync } from 'node:child_process';
import { mkdtemp, readFile, rm } from 'node:fs/promises';
import { connect } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { freePort } from '@afterwatt/store';
import mqtt from 'mqtt';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { createTestDatabase } from '../../test/support/database.ts';
import { makeCredentials, registerSite } from '../../test/support/register.ts';
import { serviceProcess } from '../../test/support/service-process.ts';
import { METER, pack, SITE } from './test-support.ts';

const hasOpenssl = spawnSync('openssl', ['version']).status === 0;

describe.skipIf(!hasOpenssl)('the endpoint over TLS (needs openssl)', async () => {
  const database = await createTestDatabase();
  const owner = database.connect();
  const directory = await mkdtemp(join(tmpdir(), 'afterwatt-test-tls-'));
  afterAll(() => rm(directory, { recursive: true, force: true }));
  const [cert, key] = [join(directory, 'cert.pem'), join(directory, 'key.pem')];
  const [port, tlsPort] = [await freePort(), await freePort()];
  const ingest = serviceProcess('ingest', {
    DATABASE_URL: database.url,
    MQTT_HOST: '127.0.0.1',
    MQTT_PORT: `${port}`,
    MQTT_TLS_PORT: `${tlsPort}`,
    MQTT_TLS_CERT: cert,
    MQTT_TLS_KEY: key,
  });
  const siteNo = await registerSite(owner, { id: SITE, name: SITE, timeZone: 'America/Denver' });
  const meter = await makeCredentials(owner, { siteNo, device: 'meter-1' });

  beforeAll(async () => {
    const kind = [
      '-x509',
      '-newkey',
      'ec',
      '-pkeyopt',
      'ec_paramgen_curve:prime256v1',
      '-nodes',
      '-days',
      '1',
    ];
    const names = ['-subj', '/CN=localhost', '-addext', 'subjectAltName=DNS:localhost'];
    const made = spawnSync('openssl', ['req', ...kind, ...names, '-keyout', key, '-out', cert]);
    expect(made.status, String(made.stderr)).toBe(0);
    await ingest.start();
    return () => ingest.kill();
  });

  async function connectTls(username: string, password: string): Promise<mqtt.MqttClient> {
    const ca = await readFile(cert);
    const options = { protocolVersion: 5, reconnectPeriod: 0, username, password, ca } as const;
    return mqtt.connectAsync(`mqtts://localhost:${tlsPort}`, options);
  }

  it('takes readings from a device that trusts its certificate', async () => {
    const device = await connectTls(meter.username, meter.secret);
    await device.publishAsync(METER, pack(5), { qos: 1 });
    const stored = await owner.pool.query('select from meter_reading');
    expect(stored.rowCount).toBe(1);
    await device.endAsync();
  });

  it('closes a connection that speaks no TLS, and goes on', async () => {
    const plain = connect(tlsPort, '127.0.0.1');
    plain.on('error', () => {});
    const closed = new Promise<void>((resolve) => plain.once('close', () => resolve()));
    plain.write('GET / HTTP/1.1\r\n\r\n');
    await closed;
    const device = await connectTls(meter.username, meter.secret);
    await device.endAsync();
  });

  it('logs who was refused, and never with what secret', async () => {
    const secret = 'a-secret-that-nobody-may-read';
    for (const username of [meter.username, 'nobody-we-know']) {
      await expect(connectTls(username, secret)).rejects.toThrow();
      await expect.poll(() => ingest.output()).toContain(`"username":"${username}"`);
    }
    expect(ingest.output()).not.toContain(secret);
    expect(ingest.output()).not.toContain(meter.secret);
  });

  it('stops cleanly while connections hang: one without TLS handshake, one without CONNECT, one that is open', async () => {
    const hanging = [connect(tlsPort, '127.0.0.1'), connect(port, '127.0.0.1')];
    for (const socket of hanging) {
      socket.on('error', () => {});
      await new Promise<void>((resolve) => socket.once('connect', () => resolve()));
    }
    const device = await connectTls(meter.username, meter.secret);
    device.on('error', () => {});
    // Exit code 1 would say that it had to be cut off.
    expect(await ingest.stop(), ingest.output()).toBe(0);
    for (const socket of hanging) socket.destroy();
    device.end(true);
  });
});
