// The endpoint, with real MQTT clients: what a device may do, what it may not, and how it is told.

import { once } from 'node:events';
import { connect } from 'node:net';
import { afterEach, beforeAll, describe, expect, it } from 'vitest';
import { makeCredentials, registerSite } from '../../test/support/register.ts';
import { METER, METER_STATE, pack, rawClient, startTestIngest, type TestIngest } from './test-support.ts';

/** MQTT 5.0, 2.4 Reason Code. */
const NOT_AUTHORIZED = 0x87;
const BAD_CREDENTIALS = 0x86;
const SESSION_TAKEN_OVER = 0x8e;
const PACKET_TOO_LARGE = 0x95;

const OFFLINE = {
  topic: METER_STATE,
  payload: Buffer.from('{"online":false}'),
  qos: 1,
  retain: true,
} as const;

describe('the endpoint', () => {
  let t: TestIngest;
  beforeAll(async () => {
    t = await startTestIngest();
    return () => t.stop();
  });
  afterEach(() => t.endClients());

  const count = async (table: string) =>
    (await t.rows<{ n: number }>(`select count(*) as n from ${table}`))[0]?.n ?? -1;

  it.each([
    { protocolVersion: 4, why: 'MQTT 3.1.1' },
    { protocolVersion: 5, why: 'MQTT 5.0' },
  ] as const)('acknowledges after the commit, to $why at QoS 1 and 2', async ({ protocolVersion }) => {
    const device = await t.client(t.meter, { protocolVersion });
    for (const qos of [1, 2] as const) {
      const before = await count('meter_reading');
      await device.publishAsync(METER, pack(1000 * protocolVersion + qos), { qos });
      expect(await count('meter_reading')).toBe(before + 1);
    }
  });

  it('stores the same reading once, however often and in whatever pack it comes', async () => {
    const device = await t.client(t.meter);
    const at = Math.floor(Date.now() / 1000) - 7_000;
    const one = (time: number, v: number) => ({ bn: 'meter-1/', bt: time, n: 'l1.v', v });
    await device.publishAsync(METER, JSON.stringify([one(at, 120)]), { qos: 1 });
    await Promise.all(
      [1, 2, 3].map(() =>
        device.publishAsync(METER, JSON.stringify([one(at, 121), one(at + 5, 122)]), { qos: 1 }),
      ),
    );
    const rows = await t.rows('select l1_v as v from meter_reading where at in ($1, $2) order by at', [
      new Date(at * 1000),
      new Date((at + 5) * 1000),
    ]);
    expect(rows).toEqual([{ v: 120 }, { v: 122 }]);
  });

  it.each([
    { version: 5, code: BAD_CREDENTIALS },
    { version: 4, code: 4 },
  ] as const)('refuses wrong credentials (MQTT $version)', async ({ version, code }) => {
    const wrong = { username: t.meter.username, secret: 'wrong' };
    await expect(t.client(wrong, { protocolVersion: version })).rejects.toMatchObject({ code });
    await expect(
      t.client({ username: 'nobody', secret: 'x' }, { protocolVersion: version }),
    ).rejects.toMatchObject({ code });
  });

  it('lets a device publish under its own site and name only, and tells it so', async () => {
    const device = await t.client(t.meter);
    for (const topic of [
      'afterwatt/v1/cedar-lane-4/battery-1/readings',
      'afterwatt/v1/other/meter-1/readings',
    ]) {
      await expect(device.publishAsync(topic, pack(1), { qos: 1 })).rejects.toMatchObject({
        code: NOT_AUTHORIZED,
      });
    }
    // Nothing else is harmed by it.
    await device.publishAsync(METER, pack(20), { qos: 1 });
    const older = await t.client(t.meter, { protocolVersion: 4, clientId: 'older' });
    older.publish('afterwatt/v1/other/meter-1/readings', pack(1), { qos: 1 });
    await new Promise((resolve) => older.once('close', () => resolve(undefined)));
  });

  it('lets a device subscribe to nothing but its own', async () => {
    const device = await t.client(t.meter);
    const subscribe = (topic: string) => device.subscribeAsync(topic).catch((error: unknown) => error);
    expect(await subscribe(METER_STATE)).toMatchObject([{ qos: 0 }]);
    for (const topic of ['#', 'afterwatt/v1/+/+/readings', 'afterwatt/v1/other/meter-1/state', '$SYS/#']) {
      expect(await subscribe(topic)).toBeInstanceOf(Error);
    }
  });

  it('lets a gateway publish for all sites of its company, and for no other company', async () => {
    await t.owner.pool.query(`insert into company (id, name) values ('other', 'Other')`);
    await registerSite(t.owner, {
      id: 'foreign',
      name: 'Foreign',
      company: 'other',
      timeZone: 'America/Denver',
    });
    const gateway = await t.client(t.gateway);
    await gateway.publishAsync(
      'afterwatt/v1/cedar-lane-4/battery-1/readings',
      '[{"n":"soc","v":55,"t":-1}]',
      {
        qos: 1,
      },
    );
    expect(await count('battery_reading')).toBe(1);
    // The site was registered a moment ago, so that the endpoint may not know it yet: it must not get through.
    await gateway.publishAsync('afterwatt/v1/foreign/meter-1/readings', pack(1), { qos: 1 }).catch(() => {});
    const foreign = await t.rows(
      `select from meter_reading where site_no = (select no from site where id = 'foreign')`,
    );
    expect(foreign).toEqual([]);
  });

  it('keeps states with their history, and takes the Last Will of a lost connection', async () => {
    const device = await t.client(t.meter, {
      clientId: 'dying',
      will: { topic: METER_STATE, payload: Buffer.from('{"online":false}'), qos: 1, retain: true },
    });
    const selfTest = { at: '2026-01-01T00:00:00Z', passed: true, detail: 'contacts' };
    await device.publishAsync(METER_STATE, JSON.stringify({ online: true, firmware: '2.4.1', selfTest }), {
      qos: 1,
      retain: true,
    });
    device.stream.destroy();
    const states = () =>
      t.rows('select online, firmware, self_test_passed from device_state order by received_at');
    await expect.poll(states).toEqual([
      { online: true, firmware: '2.4.1', self_test_passed: true },
      { online: false, firmware: null, self_test_passed: null },
    ]);
  });

  it('says nothing for a device that took its leave', async () => {
    const before = await count('device_state');
    const leaving = await t.client(t.meter, { clientId: 'leaving', will: OFFLINE });
    await leaving.endAsync();
    const probe = await t.client(t.meter);
    await probe.publishAsync(METER, pack(21), { qos: 1 });
    expect(await count('device_state')).toBe(before);
  });

  it.each([
    { why: 'of the same name, which takes the session over', next: 'same', code: SESSION_TAKEN_OVER },
    { why: 'of another name', next: 'other', code: undefined },
  ])('says nothing for a device that is back on a connection $why', async ({ next, code }) => {
    const before = await count('device_state');
    const old = await t.client(t.meter, { clientId: 'same', will: OFFLINE });
    const told = new Promise((resolve) => old.once('disconnect', (packet) => resolve(packet.reasonCode)));
    const fresh = await t.client(t.meter, { clientId: next });
    if (code === undefined) old.stream.destroy();
    else expect(await told).toBe(code);
    await fresh.publishAsync(METER_STATE, '{"online":true}', { qos: 1 });
    expect(await count('device_state')).toBe(before + 1);
  });

  it('refuses a Last Will under another name', async () => {
    const topic = 'afterwatt/v1/other/meter-1/state';
    const will = { topic, payload: Buffer.from('{"online":false}'), qos: 1, retain: true } as const;
    await expect(t.client(t.meter, { will })).rejects.toMatchObject({ code: NOT_AUTHORIZED });
  });

  it('acknowledges what can never be accepted once it lies in quarantine, grouped and counted', async () => {
    const device = await t.client(t.meter);
    const before = await count('quarantine');
    const hot = Array.from({ length: 300 }, (_, at) => ({ n: 'l1.v', v: 900 + at, t: -at }));
    const message = JSON.stringify([...hot, { n: 'l1.v', v: 119.5, t: -9000 }, { n: 'l9.v', v: 1 }]);
    await device.publishAsync(METER, message, { qos: 1 });
    await device.publishAsync(METER, '[{"n":"l1.v"', { qos: 1 });
    const rows = await t.rows<{ reason: string }>(
      'select reason, record, records, payload is not null as whole, site from quarantine order by id offset $1',
      [before],
    );
    expect(rows).toEqual([
      { reason: 'out-of-range', record: 'l1.v', records: 300, whole: true, site: 'cedar-lane-4' },
      { reason: 'unknown-quantity', record: 'l9.v', records: 1, whole: false, site: 'cedar-lane-4' },
      { reason: 'not-senml', record: null, records: 1, whole: true, site: 'cedar-lane-4' },
    ]);
    expect(await t.rows('select from meter_reading where l1_v = 119.5')).toHaveLength(1);
    await device.publishAsync(METER, '[{"n":"l1.v"', { qos: 1 });
    expect(await count('quarantine'), 'sent again, it changes nothing').toBe(before + 3);
  });

  it('lists at most a few dozen rows of a message that is all wrong', async () => {
    const gateway = await t.client(t.gateway);
    const before = await count('quarantine');
    const message = JSON.stringify(Array.from({ length: 20_000 }, (_, n) => ({ n: `x${n}`, v: 1 })));
    await gateway.publishAsync(METER, message, { qos: 1 });
    const [sum] = await t.rows<{ n: number; records: number }>(
      'select count(*) as n, sum(records) as records from quarantine where id in (select id from quarantine order by id offset $1)',
      [before],
    );
    expect(sum?.records).toBe(20_000);
    expect(sum?.n).toBeLessThanOrEqual(21);
  });

  it('judges again what is asked for: an unknown device that is registered by now', async () => {
    const topic = 'afterwatt/v1/late-site/meter-1/readings';
    const gateway = await t.client(t.gateway);
    await gateway.publishAsync(topic, pack(30), { qos: 1 });
    const [lying] = await t.rows<{ id: number }>(`select id from quarantine where reason = 'unknown-device'
      and site = 'late-site'`);
    await registerSite(t.owner, { id: 'late-site', name: 'Late', timeZone: 'America/Denver' });
    await t.rows('update quarantine set replay_at = now() where id = $1', [lying?.id]);
    const stored = () =>
      t.rows(`select from meter_reading where site_no = (select no from site where id = 'late-site')`);
    await expect.poll(stored, { timeout: 20_000 }).toHaveLength(1);
    await expect.poll(() => t.rows('select from quarantine where id = $1', [lying?.id])).toHaveLength(0);
  });

  it('says how large a packet may be, and ends a connection that sends a larger one', async () => {
    const device = rawClient(t.ingest.mqttPort ?? 0);
    const { username, secret } = t.meter;
    const password = Buffer.from(secret);
    device.send({
      cmd: 'connect',
      protocolVersion: 5,
      protocolId: 'MQTT',
      clientId: 'large',
      username,
      password,
    });
    const connack = await device.next('connack');
    const most = connack.properties?.maximumPacketSize ?? 0;
    expect(most).toBeGreaterThan(2 ** 20);
    const payload = Buffer.alloc(most);
    device.send({ cmd: 'publish', topic: METER, payload, qos: 1, messageId: 1, dup: false, retain: false });
    expect((await device.next('disconnect')).reasonCode).toBe(PACKET_TOO_LARGE);
    await device.ended;
  });

  it('takes QoS 0 as well, of which the device hears nothing', async () => {
    const device = await t.client(t.meter);
    const before = await count('meter_reading');
    await device.publishAsync(METER, pack(4_000), { qos: 0 });
    await expect.poll(() => count('meter_reading')).toBe(before + 1);
  });

  it('is not disturbed by what is no MQTT', async () => {
    const port = t.ingest.mqttPort ?? 0;
    for (const bytes of [
      'GET / HTTP/1.1\r\n\r\n',
      '\0\0\0\0',
      '\x10\xff\xff\xff\x7f',
      '\x10\x00',
      '\xe0\x00',
    ]) {
      const socket = connect(port, '127.0.0.1');
      socket.on('error', () => {});
      socket.write(Buffer.from(bytes, 'latin1'));
      if (!bytes.startsWith('\x10\xff')) await once(socket, 'close');
      socket.destroy();
    }
    const device = await t.client(t.meter);
    await device.publishAsync(METER, pack(22), { qos: 1 });
  });

  it('ends the connections of a credential that is revoked, and lets a second one in before', async () => {
    const second = await makeCredentials(t.owner, { siteNo: t.siteNo, device: 'meter-1' });
    const old = await t.client(t.meter, { clientId: 'old' });
    const fresh = await t.client(second, { clientId: 'fresh' });
    await t.rows('update credential set revoked_at = now() where username = $1', [t.meter.username]);
    await new Promise((resolve) => old.once('close', () => resolve(undefined)));
    await fresh.publishAsync(METER, pack(23), { qos: 1 });
    await expect(t.client(t.meter)).rejects.toMatchObject({ code: BAD_CREDENTIALS });
  }, 40_000);
});
