// Every fault of the catalog that shows in readings, from homes written out by hand, through MQTT and the real
// processes to GET /v1/incidents: the right kind and subject, in time, once, and gone when the fault is.

import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { type Case, type Expected, FAULTS } from '../support/hand-made-faults.ts';
import { type FoundIncident, type PlacedCase, publishCases } from '../support/hand-made-fleet.ts';
import { STORM_FAULTS } from '../support/hand-made-storms.ts';
import { createStation, type Station } from '../support/station.ts';

const CASES = [...FAULTS, ...STORM_FAULTS];

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

describe('a fault that shows in readings of days ago', () => {
  it.each(CASES.map((of) => ({ ...of, of })))(
    '$name',
    async ({ of, expected, allowed }) => {
      const found = await judged(of);
      for (const one of expected) isAsExpected(found, one, of);
      const other = found.filter(
        ({ kind, subject }) => !expected.some((one) => one.kind === kind && one.subject === subject),
      );
      expect(other.filter(({ kind }) => !allowed.includes(kind)).map(({ headline }) => headline)).toEqual([]);
    },
    120_000,
  );
});

async function judged(of: Case): Promise<FoundIncident[]> {
  let found: FoundIncident[] | undefined;
  await expect
    .poll(
      async () => {
        found = await placed.get(of)?.found();
        return found !== undefined;
      },
      { timeout: 100_000, interval: 500 },
    )
    .toBe(true);
  return found ?? [];
}

function isAsExpected(found: readonly FoundIncident[], expected: Expected, of: Case): void {
  const same = found.filter(({ kind, subject }) => kind === expected.kind && subject === expected.subject);
  expect(same.map(({ kind, subject }) => `${kind} of ${subject}`)).toEqual([
    `${expected.kind} of ${expected.subject}`,
  ]);
  const [incident] = same;
  if (incident === undefined) return;
  const beganS = (placed.get(of)?.fromS ?? 0) + of.faultFrom * 3_600;
  const afterS = incident.detectedAt.getTime() / 1000 - beganS;
  // Clocks of devices are a reading apart.
  expect(afterS).toBeGreaterThanOrEqual(-30);
  expect(afterS).toBeLessThanOrEqual(expected.withinS);
  expect(incident.onsetAt.getTime()).toBeLessThanOrEqual(incident.detectedAt.getTime());
  expect(incident).toMatchObject({
    priority: expected.priority,
    state: expected.clears ? 'cleared' : 'active',
    late: true,
  });
  expect(incident.headline).toMatch(/^\S.*\.$/);
  expect(incident.steps.length).toBeGreaterThan(0);
  expect(incident.evidence.figures.length).toBeGreaterThan(0);
}
