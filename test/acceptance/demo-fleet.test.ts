// The demo as it starts for everybody: each fault of the fleet has its incident, on the right site and subject,
// and the faultless homes have none. A second start finds the same.

import { demoFleet } from '@afterwatt/simulate';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { z } from 'zod';
import { createStation, type Station } from '../support/station.ts';

const incidentsSchema = z.object({
  items: z.array(z.looseObject({ id: z.string(), site: z.string(), kind: z.string(), subject: z.string() })),
});

/** Long for a machine that is doing other things; nothing here is timed. */
const HISTORY_TIMEOUT_MS = 600_000;

let station: Station;

beforeAll(async () => {
  station = await createStation();
  await station.start();
});
afterAll(async () => {
  await station.stop();
  await station.remove();
});

async function standing(): Promise<string[]> {
  const { body } = await station.call('GET', '/v1/incidents?state=active&limit=200');
  const { items } = incidentsSchema.parse(body);
  return items.map(({ site, kind, subject }) => `${site} ${kind} ${subject}`).sort();
}

describe('the demo fleet', () => {
  const expected = demoFleet(Date.now())
    .homes.flatMap(({ site, truth }) => truth.map(({ kind, subject }) => `${site.id} ${kind} ${subject}`))
    .sort();

  it(
    'shows the incident of every fault, and none of a faultless home',
    async () => {
      await expect
        .poll(() => station.printed(), { timeout: HISTORY_TIMEOUT_MS, interval: 1000 })
        .toContain('goes on live');
      await expect.poll(standing, { timeout: 120_000, interval: 1000 }).toEqual(expected);
      const { body } = await station.call('GET', '/v1/incidents?limit=200');
      const ever = incidentsSchema
        .parse(body)
        .items.map(({ site, kind, subject }) => `${site} ${kind} ${subject}`);
      expect([...new Set(ever)].sort()).toEqual(expected);
    },
    HISTORY_TIMEOUT_MS + 180_000,
  );

  it(
    'stands unchanged after a second start',
    async () => {
      const idsOf = async () => {
        const { body } = await station.call('GET', '/v1/incidents?state=active&limit=200');
        return incidentsSchema
          .parse(body)
          .items.map(({ id }) => id)
          .sort();
      };
      const before = await idsOf();
      expect(await station.stop()).toBe(0);
      await station.start();
      await expect
        .poll(() => station.printed(), { timeout: HISTORY_TIMEOUT_MS, interval: 1000 })
        .toContain('goes on live');
      expect(await idsOf()).toEqual(before);
    },
    HISTORY_TIMEOUT_MS,
  );
});
