// The table of incident kinds is public interface: its counts are held here.
import { expect, it } from 'vitest';
import { INCIDENT_KINDS, PRIORITIES } from './incident-kinds.ts';

it('has 31 kinds, the dangerous ones first in line', () => {
  const entries = Object.entries(INCIDENT_KINDS);
  expect(entries).toHaveLength(31);
  const byPriority = PRIORITIES.map(
    (priority) => entries.filter(([, kind]) => kind.priority === priority).length,
  );
  expect(byPriority).toEqual([2, 8, 10, 11]);
  expect(entries.filter(([, kind]) => kind.priority === 'critical').map(([name]) => name)).toEqual([
    'open-neutral',
    'backfeed-in-outage',
  ]);
});

it('tells the homeowner of what is dangerous or theirs to act on, never of wiring', () => {
  const told = Object.entries(INCIDENT_KINDS).filter(([, kind]) => kind.homeownerDelayMs !== null);
  expect(told.map(([name]) => name)).toEqual([
    'inlet-over-cap',
    'inlet-circuit-resistance',
    'open-neutral',
    'backfeed-in-outage',
    'reserve-low',
    'reserve-forecast',
    'storm-charge-stalled',
    'storm-charge-behind',
    'storm-discharging',
    'battery-hot',
    'device-silent',
  ]);
  expect(told.filter(([, kind]) => kind.homeownerDelayMs !== 0).map(([name]) => name)).toEqual([
    'device-silent',
  ]);
});
