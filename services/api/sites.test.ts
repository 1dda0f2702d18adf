// Sites over HTTP: registering, finding, changing, deleting, and what each role sees of them.

import { sql } from 'kysely';
import { beforeEach, describe, expect, it } from 'vitest';
import { aSite, callerOf, insertIncidentRow, operatorOf, startTestApi } from './test-support.ts';

const api = await startTestApi();
const operator = operatorOf(api);
beforeEach(() => api.database.keepOnFailure());

describe('registering a site', () => {
  it('fills in every default and says where the site is', async () => {
    const made = await operator.post('/v1/sites', aSite());
    expect(made.status).toBe(201);
    expect(made.headers.get('location')).toBe('/v1/sites/cedar-lane-4');
    expect(made.body).toMatchObject({
      id: 'cedar-lane-4',
      company: 'default',
      meter: { device: 'meter-1', periodSeconds: 5 },
      inlets: [{ number: 1, leg: 'L1', capAmps: 15 }],
      batteries: [{ device: 'battery-1', inlet: 1, reservePct: 20 }],
      tariff: null,
    });
    const read = await operator.get('/v1/sites/cedar-lane-4');
    expect(read.body).toMatchObject({
      ...made.body,
      devices: [
        { device: 'battery-1', kind: 'battery', lastReadingAt: null, online: null },
        { device: 'meter-1', kind: 'meter', lastReadingAt: null, online: null },
      ],
    });
  });
});
