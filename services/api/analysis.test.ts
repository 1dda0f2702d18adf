// What is asked of the evidence as a whole: the clamps of a site, other thresholds, the burden on people.

import { beforeEach, describe, expect, it } from 'vitest';
import { aSite, callerOf, insertIncidentRow, startTestApi } from './test-support.ts';

const api = await startTestApi();
const installer = await callerOf(api, { role: 'installer', company: 'north' });
const other = await callerOf(api, { role: 'installer', company: 'south' });
await installer.post('/v1/sites', aSite({ id: 'elm-1' }));
beforeEach(() => api.database.keepOnFailure());

describe('the wiring of a site', () => {
  it('is not yet proven before its readings have shown it', async () => {
    const { status, body } = await installer.get('/v1/sites/elm-1/wiring');
    expect(status).toBe(200);
    expect(body.asOf).toBeNull();
    expect(
      body.clamps.map(({ clamp, status }: { clamp: string; status: string }) => [clamp, status]),
    ).toEqual([
      ['L1', 'not yet proven'],
      ['L2', 'not yet proven'],
      ['inlet 1', 'not yet proven'],
    ]);
  });

  it("is nothing to another company's installer", async () => {
    expect((await other.get('/v1/sites/elm-1/wiring')).status).toBe(404);
  });
});

describe('a replay', () => {
  const question = {
    sites: ['elm-1'],
    from: '2026-11-01T00:00:00Z',
    to: '2026-11-08T00:00:00Z',
    thresholds: { 'reserve-low': { onDelayMin: 30 } },
  };

  it('is taken and waits for a worker', async () => {
    const asked = await installer.post('/v1/replays', question);
    expect(asked.status).toBe(202);
    expect(asked.body).toMatchObject({ state: 'waiting', progress: 0, result: null });
    const read = await installer.get(`/v1/replays/${asked.body.id}`);
    expect(read.body).toEqual(asked.body);
    expect((await other.get(`/v1/replays/${asked.body.id}`)).status).toBe(404);
  });

  it.each([
    ['a site of another company', { sites: ['elm-2'] }, 404],
    ['a window that ends before it begins', { to: '2026-10-01T00:00:00Z' }, 422],
    ['more days than are kept', { to: '2027-01-01T00:00:00Z' }, 422],
    ['a threshold that no detector has', { thresholds: { 'reserve-low': { colour: 1 } } }, 422],
    ['a threshold out of its range', { thresholds: { 'reserve-low': { onDelayMin: -1 } } }, 422],
  ])('refuses %s', async (_, change, status) => {
    expect((await installer.post('/v1/replays', { ...question, ...change })).status).toBe(status);
  });
});

describe('alarm performance', () => {
  it('counts what was raised, the flood and what stands too long', async () => {
    const minute = (minute: number) => new Date(Date.UTC(2026, 9, 1, 0, minute)).toISOString();
    const row = { site: 'elm-1', company: 'north', state: 'cleared' } as const;
    // Twelve within ten minutes, more than the ten that ISA-18.2 allows, and one that stands for two days.
    for (let index = 0; index < 12; index++) {
      const times = { raisedAt: minute(0), clearedAt: minute(30) };
      await insertIncidentRow(api.owner, { ...row, ...times, kind: 'device-silent' });
    }
    const times = { raisedAt: minute(60), clearedAt: minute(60 + 2 * 24 * 60) };
    await insertIncidentRow(api.owner, { ...row, ...times, kind: 'reserve-low' });
    const { body } = await installer.get(
      '/v1/alarm-performance?from=2026-10-01T00:00:00Z&to=2026-10-02T00:00:00Z',
    );
    expect(body).toMatchObject({
      raised: 13,
      mostInTenMinutes: { value: 12, target: 10 },
      stale: { value: 1 },
      topTen: [
        { site: 'elm-1', kind: 'device-silent', raised: 12 },
        { site: 'elm-1', kind: 'reserve-low', raised: 1 },
      ],
    });
    // One of the day's 144 stretches of ten minutes.
    expect(body.floodSharePct.value).toBeCloseTo(100 / 144, 6);
    expect(
      (await other.get('/v1/alarm-performance?from=2026-10-01T00:00:00Z&to=2026-10-02T00:00:00Z')).body
        .raised,
    ).toBe(0);
  });
});
