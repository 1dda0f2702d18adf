// A weak radio is told from its median over an hour, not from a moment in the way.

import { describe, expect, it } from 'vitest';
import type { SiteEvent } from '../event.ts';
import {
  aBatteryReading,
  aSite,
  clears,
  HOUR_S,
  noise,
  raises,
  runSeries,
  seconds,
} from '../test-support.ts';
import { radioWeak } from './radio-weak.ts';

const site = aSite();
const run = (events: readonly SiteEvent[]) => runSeries(site, radioWeak, events);

describe('a weak radio', () => {
  const radio = (hours: number, rssi: (s: number) => number) =>
    seconds(0, hours * HOUR_S, 10).map((s) => aBatteryReading(s, { rssiDbm: rssi(s) }));

  it.each([
    { dbm: -76, raised: 1 },
    { dbm: -75, raised: 0 },
  ])('is told from its median over an hour: $dbm dBm', ({ dbm, raised }) => {
    const random = noise(5);
    // A third of the readings far below does not move the median.
    const rssi = (s: number) => (s % 30 === 0 ? -95 : dbm + Math.max(0, Math.round(2 * random())));
    const level = raised === 1 ? () => dbm : rssi;
    expect(raises(run(radio(6, level)))).toHaveLength(raised);
  });

  it('is told within an hour and a quarter', () => {
    const [first] = raises(run(radio(6, (s) => (s < 7200 ? -60 : -80))));
    expect(Number(first?.split(' ')[1])).toBeLessThanOrEqual(7200 + 4500);
  });

  it('is not told of half an hour in the way', () => {
    expect(run(radio(6, (s) => (s > 7200 && s < 9000 ? -90 : -60)))).toEqual([]);
  });

  it('clears from 3 dB above the limit', () => {
    const level = (to: number) => (s: number) => (s < 7200 ? -80 : to);
    expect(clears(run(radio(6, level(-72))))).toHaveLength(1);
    expect(clears(run(radio(6, level(-73))))).toEqual([]);
  });
});
