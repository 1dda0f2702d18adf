// Homes in which nothing is wrong, although it may look so: not one incident, through MQTT and the real processes.

import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { type Case, QUIET } from '../support/hand-made-faults.ts';
import { type PlacedCase, publishCases } from '../support/hand-made-fleet.ts';
import { STORM_QUIET } from '../support/hand-made-storms.ts';
import { createStation, type Station } from '../support/station.ts';

const CASES = [...QUIET, ...STORM_QUIET];

let station: Station;
let placed: ReadonlyMap<Case, PlacedCase>;

beforeAll(async () => {
  station = await createStation();
  await station.start(['--no-demo']);
  placed = await publishCases(station, CASES);
}, 600_000);
afterAll(async () => {
  await station.stop();
  await station.remove();
});

describe('nothing is raised', () => {
  it.each(CASES.map((of) => ({ ...of, of })))(
    '$name',
    async ({ of }) => {
      const headlines = async () => (await placed.get(of)?.found())?.map(({ headline }) => headline);
      await expect.poll(headlines, { timeout: 100_000, interval: 500 }).toBeDefined();
      expect(await headlines()).toEqual([]);
    },
    120_000,
  );
});
