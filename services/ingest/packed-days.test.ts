// What devices send for a day that is packed already, over real MQTT into a running ingest.

import { type Connection, packClosedDays } from '@afterwatt/store';
import { afterAll, beforeAll, describe, expect, it, vi } from 'vitest';
import { untilReadable } from '../../test/support/write-readings.ts';
import { METER, startTestIngest, type TestIngest } from './test-support.ts';

const MINUTE_S = 60;
/** At the start of an hour, twenty days ago. */
const FROM_S = Math.floor(Date.now() / 3_600_000) * 3600 - 20 * 86_400;

function packOf(seconds: readonly number[], volts: number): string {
  return JSON.stringify(seconds.map((t) => ({ bn: 'meter-1/', n: 'l1.v', v: volts, t })));
}

describe('a packed day', () => {
  let t: TestIngest;
  let upkeep: Connection;
  beforeAll(async () => {
    t = await startTestIngest();
    upkeep = t.database.connect('afterwatt_ingest');
  });
  afterAll(() => t.stop());

  const one = async <T extends object>(query: string) => (await t.rows<T>(query))[0];
  const counts = () =>
    one<{ plain: number; packed: number; rolled: number }>(
      `select (select count(*) from meter_reading) as plain,
         (select coalesce(sum(cardinality(times)), 0)::int from meter_packed) as packed,
         (select coalesce(sum(readings), 0)::int from meter_1m) as rolled`,
    );

  async function packRolledUp(readings: number): Promise<void> {
    await untilReadable(t.owner.pool);
    await vi.waitFor(async () => expect((await counts())?.rolled).toBe(readings), { timeout: 30_000 });
    await t.owner.pool.query('update shard set tx = (select tx from rollup_state)');
    const signal = new AbortController().signal;
    await packClosedDays(upkeep.pool, { nowMs: Date.now(), afterDays: 8, signal, onDay: () => {} });
  }

  it('takes what comes late, once, from two connections at a time, and rolls it up', async () => {
    const [device, gateway] = [await t.client(t.meter), await t.client(t.gateway)];
    const sent = Array.from({ length: 180 }, (_, n) => FROM_S + n * MINUTE_S);
    await device.publishAsync(METER, packOf(sent, 120), { qos: 1 });
    await packRolledUp(180);
    expect(await counts()).toEqual({ plain: 0, packed: 180, rolled: 180 });

    // All of it again as others say it, with one more in the second hour, and some of today, of a minute that is over.
    const late = FROM_S + 90 * MINUTE_S + 7;
    const today = Math.floor(Date.now() / 1000) - 5 * MINUTE_S;
    await Promise.all(
      [device, gateway, device, gateway].map((client, n) =>
        client.publishAsync(METER, packOf([...sent, late, today - n], 100), { qos: 1 }),
      ),
    );
    expect(await counts()).toMatchObject({ plain: 180 + 1 + 4, packed: 0 });
    const told = await t.rows<{ volts: number; n: number }>(
      'select l1_v as volts, count(*) as n from meter_reading group by 1 order by 1',
    );
    expect(told).toEqual([
      { volts: 100, n: 5 },
      { volts: 120, n: 180 },
    ]);

    await packRolledUp(185);
    expect(await counts()).toEqual({ plain: 4, packed: 181, rolled: 185 });
    const minute = await one<{ readings: number }>(
      `select readings from meter_1m where at = date_bin('1 minute', to_timestamp(${late}), 'epoch')`,
    );
    expect(minute).toEqual({ readings: 2 });
  }, 90_000);
});
