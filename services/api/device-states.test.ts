// What devices said of themselves, over HTTP, with its history.

import { insertDeviceStates } from '@afterwatt/store';
import { beforeEach, describe, expect, it } from 'vitest';
import { aSite, callerOf, operatorOf, startTestApi } from './test-support.ts';

const api = await startTestApi();
const operator = operatorOf(api);
beforeEach(() => api.database.keepOnFailure());
await operator.post('/v1/sites', aSite({ id: 'elm-1' }));
await operator.post('/v1/sites', aSite({ id: 'elm-2' }));

const owner = api.database.connect();
const said = { online: null, firmware: null, selfTest: null, clock: null, settings: null };
const noon = Date.UTC(2026, 1, 1, 12);
const found = await owner.pool.query<{ no: number; site_no: number; kind: string }>(
  "select d.* from device d join site s on s.no = d.site_no where s.id = 'elm-1' order by d.id",
);
const client = await owner.pool.connect();
await insertDeviceStates(
  client,
  found.rows.flatMap(({ no, site_no, kind }) => {
    const of = { siteNo: site_no, deviceNo: no };
    const test = { at: noon - 60_000, passed: false, detail: 'relay 2 does not open' };
    return [
      { ...of, receivedAtMs: noon, state: { ...said, online: true, firmware: `${kind} 1.0` } },
      { ...of, receivedAtMs: noon + 1000, state: { ...said, selfTest: test, settings: { reserve: 20 } } },
      { ...of, receivedAtMs: noon + 2000, state: { ...said, online: false } },
      {
        ...of,
        receivedAtMs: noon + 3000,
        state: { ...said, online: true, firmware: `${kind} 1.1`, clock: noon },
      },
    ];
  }),
);
client.release();

const path = '/v1/sites/elm-1/device-states';

describe('device states', () => {
  it('are told newest first: an update of the firmware, a lost connection, a self-test that failed', async () => {
    const { status, body } = await operator.get(`${path}?device=meter-1`);
    expect(status).toBe(200);
    const nothing = { online: null, firmware: null, selfTest: null, clock: null, settings: null };
    const at = (second: number) => new Date(noon + second * 1000).toISOString();
    expect(body).toEqual({
      items: [
        {
          device: 'meter-1',
          receivedAt: at(3),
          ...nothing,
          online: true,
          firmware: 'meter 1.1',
          clock: at(0),
        },
        { device: 'meter-1', receivedAt: at(2), ...nothing, online: false },
        {
          ...{ device: 'meter-1', receivedAt: at(1), ...nothing, settings: { reserve: 20 } },
          selfTest: { at: at(-60), passed: false, detail: 'relay 2 does not open' },
        },
        { device: 'meter-1', receivedAt: at(0), ...nothing, online: true, firmware: 'meter 1.0' },
      ],
      next: null,
    });
  });

  it('come page by page, each once, and within the time asked for', async () => {
    const seen: string[] = [];
    for (let next: string | null = ''; next !== null; ) {
      const { body } = await operator.get(`${path}?limit=3${next === '' ? '' : `&cursor=${next}`}`);
      seen.push(
        ...body.items.map((item: { device: string; receivedAt: string }) => item.receivedAt + item.device),
      );
      next = body.next;
    }
    expect(seen).toHaveLength(8);
    expect(new Set(seen).size).toBe(8);
    const { body } = await operator.get(`${path}?from=2026-02-01T12:00:01Z&to=2026-02-01T12:00:02Z`);
    expect(body.items).toHaveLength(2);
  });

  it("are each site's own, and a homeowner's of the battery alone", async () => {
    expect((await operator.get('/v1/sites/elm-2/device-states')).body.items).toEqual([]);
    const home = await callerOf(api, { role: 'homeowner', sites: ['elm-1'] });
    const { body } = await home.get(path);
    expect(new Set(body.items.map((item: { device: string }) => item.device))).toEqual(
      new Set(['battery-1']),
    );
    expect((await home.get('/v1/sites/elm-2/device-states')).status).toBe(404);
  });
});
