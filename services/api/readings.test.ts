// Readings over HTTP: as they came, as means, as CSV.

import { sql } from 'kysely';
import { beforeEach, describe, expect, it } from 'vitest';
import { aSite, callerOf, operatorOf, startTestApi } from './test-support.ts';

const api = await startTestApi();
const operator = operatorOf(api);
beforeEach(() => api.database.keepOnFailure());
await operator.post('/v1/sites', aSite({ id: 'elm-1', timeZone: 'America/New_York' }));
const path = '/v1/sites/elm-1/readings';

async function insertMeter(
  at: string,
  values: { l1V?: number | null; l1W?: number; importWh?: number; seq?: number },
) {
  await sql`select ensure_reading_partitions(${at.slice(0, 10)}::date)`.execute(api.owner);
  await sql`insert into meter_reading (at, tx, site_no, device_no, l1_v, l1_w, import_wh, seq)
    select ${at}, current_tx(), d.site_no, d.no, ${values.l1V ?? null}, ${values.l1W ?? null}, ${values.importWh ?? null},
      ${values.seq ?? null} from device d join site s on s.no = d.site_no where s.id = 'elm-1' and d.id = 'meter-1'`.execute(
    api.owner,
  );
}

async function insertBattery(at: string, values: { socPct: number; grid: boolean }) {
  await sql`select ensure_reading_partitions(${at.slice(0, 10)}::date)`.execute(api.owner);
  await sql`insert into battery_reading (at, tx, site_no, device_no, soc_pct, grid_present)
    select ${at}, current_tx(), d.site_no, d.no, ${values.socPct}, ${values.grid}
    from device d join site s on s.no = d.site_no where s.id = 'elm-1' and d.id = 'battery-1'`.execute(
    api.owner,
  );
}

await insertMeter('2026-02-01T12:00:00Z', { l1V: 119.5, l1W: 1000, importWh: 100, seq: 1 });
await insertMeter('2026-02-01T12:00:05.250Z', { l1V: 120.1, l1W: 1300, importWh: 102, seq: 2 });
await insertMeter('2026-02-01T12:00:10Z', { l1V: null, l1W: -200, importWh: 103, seq: 3 });
await insertMeter('2026-02-01T12:01:00Z', { l1V: 121, l1W: 500, importWh: 104, seq: 4 });
await insertBattery('2026-02-01T12:00:00Z', { socPct: 80, grid: true });
await insertBattery('2026-02-01T12:00:10Z', { socPct: 81, grid: true });
await insertBattery('2026-02-01T12:00:20Z', { socPct: 82, grid: false });
await insertBattery('2026-02-01T12:00:30Z', { socPct: 83, grid: true });

const hour = 'from=2026-02-01T12:00:00Z&to=2026-02-01T13:00:00Z';

describe('readings as they came', () => {
  it('are columns under their names on the wire, with device times', async () => {
    const { status, body } = await operator.get(`${path}?${hour}`);
    expect(status).toBe(200);
    expect(body).toEqual({
      resolution: 'raw',
      devices: [
        {
          device: 'battery-1',
          times: [0, 10, 20, 30].map((s) => new Date(Date.UTC(2026, 1, 1, 12, 0, s)).toISOString()),
          columns: { soc: [80, 81, 82, 83], grid: [true, true, false, true] },
        },
        {
          device: 'meter-1',
          times: [
            '2026-02-01T12:00:00.000Z',
            '2026-02-01T12:00:05.250Z',
            '2026-02-01T12:00:10.000Z',
            '2026-02-01T12:01:00.000Z',
          ],
          // A real's 119.5 and 120.1 come back as they were sent.
          columns: {
            'l1.v': [119.5, 120.1, null, 121],
            'l1.p': [1000, 1300, -200, 500],
            import: [100, 102, 103, 104],
            seq: [1, 2, 3, 4],
          },
        },
      ],
    });
  });

  it('of one device, of the quantities asked for, from the start and up to the end of the window', async () => {
    const window = 'from=2026-02-01T12:00:05.250Z&to=2026-02-01T12:01:00Z';
    const { body } = await operator.get(`${path}?device=meter-1&quantities=l1.v,l2.v&${window}`);
    expect(body.devices).toEqual([
      {
        device: 'meter-1',
        times: ['2026-02-01T12:00:05.250Z', '2026-02-01T12:00:10.000Z'],
        columns: { 'l1.v': [120.1, null], 'l2.v': [null, null] },
      },
    ]);
  });

  it('leave out devices that do not measure what is asked for', async () => {
    const { body } = await operator.get(`${path}?quantities=soc&${hour}`);
    expect(body.devices.map((one: { device: string }) => one.device)).toEqual(['battery-1']);
  });

  it('are those of the last hour when no window is named', async () => {
    const at = new Date(Date.now() - 59 * 60_000).toISOString();
    await insertMeter(at, { l1V: 118 });
    await insertMeter(new Date(Date.now() - 61 * 60_000).toISOString(), { l1V: 117 });
    const { body } = await operator.get(`${path}?device=meter-1`);
    expect(body.devices[0]).toEqual({ device: 'meter-1', times: [at], columns: { 'l1.v': [118] } });
  });
});

describe('readings as CSV (RFC 4180)', () => {
  it('have one row a device and time, and nothing where nothing was told', async () => {
    const { headers, text } = await operator.get(`${path}?quantities=l1.v,grid&${hour}`, {
      accept: 'text/csv',
    });
    expect(headers.get('content-type')).toBe('text/csv; charset=utf-8');
    expect(text.split('\r\n')).toEqual([
      'time,device,grid,l1.v',
      '2026-02-01T12:00:00.000Z,battery-1,true,',
      '2026-02-01T12:00:10.000Z,battery-1,true,',
      '2026-02-01T12:00:20.000Z,battery-1,false,',
      '2026-02-01T12:00:30.000Z,battery-1,true,',
      '2026-02-01T12:00:00.000Z,meter-1,,119.5',
      '2026-02-01T12:00:05.250Z,meter-1,,120.1',
      '2026-02-01T12:00:10.000Z,meter-1,,',
      '2026-02-01T12:01:00.000Z,meter-1,,121',
      '',
    ]);
  });

  it.each([
    ['text/csv', 'text/csv'],
    ['text/*, application/json;q=0.5', 'text/csv'],
    ['text/csv;q=0.2, application/json', 'application/json'],
    ['*/*', 'application/json'],
    ['text/html,*/*;q=0.8', 'application/json'],
  ])('are chosen by Accept: %s', async (accept, type) => {
    const { headers } = await operator.get(`${path}?${hour}`, { accept });
    expect(headers.get('content-type')).toContain(type);
  });

  it('are JSON or CSV and nothing else', async () => {
    const { status, body } = await operator.get(`${path}?${hour}`, { accept: 'image/png' });
    expect([status, body.code]).toEqual([406, 'not-acceptable']);
  });
});

describe('means', () => {
  it('are of a minute: measurements averaged, registers as far as they came, states as a share', async () => {
    const { body } = await operator.get(`${path}?resolution=1m&${hour}`);
    expect(body).toEqual({
      resolution: '1m',
      devices: [
        { device: 'battery-1', times: ['2026-02-01T12:00:00.000Z'], columns: { soc: [81.5], grid: [0.75] } },
        {
          device: 'meter-1',
          times: ['2026-02-01T12:00:00.000Z', '2026-02-01T12:01:00.000Z'],
          columns: { 'l1.v': [119.8, 121], 'l1.p': [700, 500], import: [103, 104], seq: [3, 4] },
        },
      ],
    });
  });

  it.each([
    ['15m', ['2026-02-01T12:00:00.000Z'], [650]],
    ['1h', ['2026-02-01T12:00:00.000Z'], [650]],
    // Midnight in New York, winter time.
    ['1d', ['2026-02-01T05:00:00.000Z'], [650]],
  ])('are of %s', async (resolution, times, powers) => {
    const { body } = await operator.get(
      `${path}?device=meter-1&quantities=l1.p&resolution=${resolution}&${hour}`,
    );
    expect(body.devices[0]).toEqual({ device: 'meter-1', times, columns: { 'l1.p': powers } });
  });

  // 15 USC 260a: in 2026 daylight saving time begins on 8 March and ends on 1 November.
  it("are of a day of the site's own, be it 23 h or 25 h long", async () => {
    for (const at of [
      '2026-03-08T04:59:59Z',
      '2026-03-08T05:00:00Z',
      '2026-03-09T03:59:59Z',
      '2026-03-09T04:00:00Z',
    ]) {
      await insertMeter(at, { l1W: 1 });
    }
    for (const at of ['2026-11-01T04:00:00Z', '2026-11-02T04:59:59Z', '2026-11-02T05:00:00Z']) {
      await insertMeter(at, { l1W: 1 });
    }
    const days = async (from: string, to: string) =>
      (await operator.get(`${path}?device=meter-1&quantities=l1.p&resolution=1d&from=${from}&to=${to}`)).body
        .devices[0].times;
    expect(await days('2026-03-07T05:00:00Z', '2026-03-10T00:00:00Z')).toEqual([
      '2026-03-07T05:00:00.000Z',
      '2026-03-08T05:00:00.000Z',
      '2026-03-09T04:00:00.000Z',
    ]);
    expect(await days('2026-11-01T00:00:00Z', '2026-11-03T00:00:00Z')).toEqual([
      '2026-11-01T04:00:00.000Z',
      '2026-11-02T05:00:00.000Z',
    ]);
  });

  it.each([
    // A meter that reports every 5 s.
    ['2026-02-01T14:46:40Z', 'raw'],
    ['2026-02-01T14:46:41Z', '1m'],
    ['2026-02-02T21:20:00Z', '1m'],
    ['2026-02-20T00:00:00Z', '15m'],
    ['2026-04-25T00:00:00Z', '1h'],
    ['2027-02-01T00:00:00Z', '1d'],
  ])('auto: from 1 February noon to %s it is %s', async (to, resolution) => {
    const { body } = await operator.get(`${path}?resolution=auto&from=2026-02-01T12:00:00Z&to=${to}`);
    expect(body.resolution).toBe(resolution);
  });
});

describe('a request for readings', () => {
  it.each([
    ['device=meter-2', '#/device', "must be among this site's devices, battery-1, meter-1"],
    ['quantities=l3.v', '#/quantities/0', 'must be among l1.v, l2.v'],
    ['resolution=5m', '#/resolution', 'must be raw, 1m, 15m, 1h, 1d or auto'],
    ['from=2026-02-01T13:00:00Z&to=2026-02-01T12:00:00Z', '#/from', 'must be before to'],
    ['from=1026-02-01T13:00:00Z', '#/from', 'must lie between 1970 and 2199'],
  ])('%s is refused', async (query, pointer, detail) => {
    const { status, body } = await operator.get(`${path}?${query}`);
    expect([status, body.errors[0].pointer]).toEqual([400, pointer]);
    expect(body.errors[0].detail).toContain(detail);
  });

  it('for more than a hundred thousand times is refused, and says what to do', async () => {
    await sql`insert into meter_reading (at, tx, site_no, device_no, l1_v)
      select '2026-02-01T13:00:00Z'::timestamptz + n * interval '100 milliseconds', current_tx(), d.site_no, d.no, 120
      from device d join site s on s.no = d.site_no, generate_series(1, 100001) n
      where s.id = 'elm-1' and d.id = 'meter-1'`.execute(api.owner);
    const window = 'from=2026-02-01T13:00:00Z&to=2026-02-02T00:00:00Z';
    const { status, body } = await operator.get(`${path}?${window}`);
    expect([status, body.code]).toEqual([422, 'too-much']);
    expect(body.detail).toContain('auto picks one');
    const coarse = await operator.get(`${path}?resolution=auto&${window}`);
    expect(coarse.body.resolution).toBe('1m');
    expect(coarse.body.devices[1].times).toHaveLength(167);
  });

  it('of a homeowner is answered with the battery alone', async () => {
    const home = await callerOf(api, { role: 'homeowner', sites: ['elm-1'] });
    const { body } = await home.get(`${path}?${hour}`);
    expect(body.devices.map((one: { device: string }) => one.device)).toEqual(['battery-1']);
    const meter = await home.get(`${path}?device=meter-1&${hour}`);
    expect(meter.status).toBe(400);
    expect(meter.text).toContain("this site's devices, battery-1");
  });
});
