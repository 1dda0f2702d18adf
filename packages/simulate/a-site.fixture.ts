// Sites for the tests of this package.

import { type Site, type SiteInput, siteSchema } from '@afterwatt/wire';

type Day = NonNullable<SiteInput['tariff']>['seasons'][number]['weekday'];

/** Spans of a day from the times at which the period changes. */
function day(...changes: readonly (readonly [string, Day[number]['period']])[]): Day {
  return changes.map(([from, period], index) => ({ period, from, to: changes[index + 1]?.[0] ?? '24:00' }));
}

export const FOUR_PERIODS: SiteInput['tariff'] = {
  seasons: [
    {
      name: 'all year',
      weekday: day(
        ['00:00', 'super-off-peak'],
        ['06:00', 'off-peak'],
        ['15:00', 'mid-peak'],
        ['17:00', 'peak'],
        ['20:00', 'off-peak'],
      ),
    },
  ],
  rates: { peak: 0.5, 'mid-peak': 0.3, 'off-peak': 0.2, 'super-off-peak': 0.1 },
};

/** A site in Denver with one battery and a tariff of four periods, unless told otherwise. */
export function aSite(more: Partial<SiteInput> = {}): Site {
  return siteSchema.parse({
    id: 'cedar-lane-4',
    name: 'Cedar Lane 4',
    timeZone: 'America/Denver',
    region: 'Front Range',
    location: { lat: 39.74, lon: -104.99, geocodes: [{ system: 'SAME', code: '008031' }] },
    batteries: [{ device: 'battery-1' }],
    tariff: FOUR_PERIODS,
    ...more,
  });
}

/** The same with a battery on an inlet of each leg. */
export function aSiteOfTwo(more: Partial<SiteInput> = {}): Site {
  return aSite({
    inlets: [
      { number: 1, leg: 'L1' },
      { number: 2, leg: 'L2' },
    ],
    batteries: [
      { device: 'battery-1', inlet: 1 },
      { device: 'battery-2', inlet: 2 },
    ],
    ...more,
  });
}
