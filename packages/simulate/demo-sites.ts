// The invented homes of the demo: streets are made up, only time zones and area codes are real.

import type { SiteInput } from '@afterwatt/wire';

type Spans = NonNullable<SiteInput['tariff']>['seasons'][number]['weekday'];

function spans(...changes: readonly (readonly [string, Spans[number]['period']])[]): Spans {
  return changes.map(([from, period], index) => ({ period, from, to: changes[index + 1]?.[0] ?? '24:00' }));
}

const EVENING_PEAK = spans(['00:00', 'off-peak'], ['16:00', 'peak'], ['21:00', 'off-peak']);
const THREE_PERIODS = spans(
  ['00:00', 'super-off-peak'],
  ['06:00', 'off-peak'],
  ['15:00', 'mid-peak'],
  ['17:00', 'peak'],
  ['20:00', 'off-peak'],
);
const FLAT = spans(['00:00', 'off-peak']);

const everyDay = (day: Spans, rates: Record<string, number>): SiteInput['tariff'] => ({
  seasons: [{ name: 'all year', weekday: day }],
  rates,
});
const weekdays = (day: Spans, rates: Record<string, number>): SiteInput['tariff'] => ({
  seasons: [{ name: 'all year', weekday: day, weekend: FLAT }],
  rates,
});
const TWO_RATES = { peak: 0.42, 'off-peak': 0.17 };
const FOUR_RATES = { peak: 0.51, 'mid-peak': 0.34, 'off-peak': 0.22, 'super-off-peak': 0.11 };

const place = (lat: number, lon: number, same: string): SiteInput['location'] => ({
  lat,
  lon,
  geocodes: [{ system: 'SAME', code: same }],
});
const battery = (more: Partial<NonNullable<SiteInput['batteries']>[number]> = {}) => ({
  device: 'battery-1',
  capacityWh: 3000,
  ...more,
});

export const DEMO_SITES: readonly SiteInput[] = [
  {
    id: 'cedar-lane-4',
    name: 'Cedar Lane 4 (demo)',
    timeZone: 'America/Denver',
    region: 'Mountain (demo)',
    location: place(39.74, -104.99, '008031'),
    batteries: [battery()],
    tariff: weekdays(EVENING_PEAK, TWO_RATES),
  },
  {
    id: 'juniper-court-11',
    name: 'Juniper Court 11 (demo)',
    timeZone: 'America/Denver',
    region: 'Mountain (demo)',
    location: place(40.02, -105.25, '008013'),
    inlets: [{ number: 1, leg: 'L2' }],
    batteries: [battery({ capacityWh: 3600, chargeLimitWatts: 1400 })],
    tariff: everyDay(EVENING_PEAK, TWO_RATES),
  },
  {
    id: 'quarry-road-207',
    name: 'Quarry Road 207 (demo)',
    timeZone: 'America/New_York',
    region: 'East (demo)',
    location: place(42.36, -72.5, '025015'),
    batteries: [battery({ capacityWh: 2400, chargeLimitWatts: 1200, reservePct: 30 })],
    tariff: weekdays(EVENING_PEAK, TWO_RATES),
  },
  {
    id: 'mill-pond-way-3',
    name: 'Mill Pond Way 3 (demo)',
    timeZone: 'America/Chicago',
    region: 'Central (demo)',
    location: place(43.05, -89.4, '055025'),
    inlets: [{ number: 1, leg: 'L1', capAmps: 10, capWatts: 1200 }],
    batteries: [battery({ chargeLimitWatts: 800 })],
    tariff: weekdays(THREE_PERIODS, FOUR_RATES),
  },
  {
    id: 'orchard-hill-58',
    name: 'Orchard Hill 58 (demo)',
    timeZone: 'America/Los_Angeles',
    region: 'Pacific (demo)',
    location: place(38.58, -121.49, '006067'),
    batteries: [battery({ reservePct: 25 })],
    tariff: everyDay(EVENING_PEAK, TWO_RATES),
  },
  {
    id: 'harbor-view-16',
    name: 'Harbor View 16 (demo)',
    timeZone: 'America/New_York',
    region: 'East (demo)',
    location: place(41.3, -72.9, '009009'),
    batteries: [battery({ capacityWh: 5000, chargeLimitWatts: 1350 })],
    tariff: everyDay(EVENING_PEAK, TWO_RATES),
  },
  {
    id: 'sandpiper-lane-9',
    name: 'Sandpiper Lane 9 (demo)',
    timeZone: 'America/New_York',
    region: 'East (demo)',
    location: place(27.95, -82.46, '012057'),
    batteries: [battery()],
    tariff: weekdays(EVENING_PEAK, TWO_RATES),
  },
  {
    id: 'lighthouse-street-2',
    name: 'Lighthouse Street 2 (demo)',
    timeZone: 'America/New_York',
    region: 'East (demo)',
    location: place(41.27, -72.85, '009009'),
    inlets: [
      { number: 1, leg: 'L1' },
      { number: 2, leg: 'L2' },
    ],
    batteries: [battery({ inlet: 1 }), battery({ device: 'battery-2', inlet: 2 })],
    tariff: weekdays(EVENING_PEAK, TWO_RATES),
  },
  {
    id: 'saguaro-drive-71',
    name: 'Saguaro Drive 71 (demo)',
    timeZone: 'America/Phoenix',
    region: 'Mountain (demo)',
    location: place(33.45, -112.07, '004013'),
    service: { otherGeneration: true },
    batteries: [battery({ capacityWh: 5000, chargeLimitWatts: 1300 })],
    tariff: weekdays(THREE_PERIODS, FOUR_RATES),
  },
  {
    id: 'prairie-avenue-30',
    name: 'Prairie Avenue 30 (demo)',
    timeZone: 'America/Chicago',
    region: 'Central (demo)',
    location: place(41.6, -93.6, '019153'),
    inlets: [{ number: 1, leg: 'L2', conductorAwg: 14, oneWayFeet: 25 }],
    batteries: [battery({ capacityWh: 2000, chargeLimitWatts: 1000, reservePct: 40 })],
    tariff: null,
  },
  {
    id: 'glacier-loop-8',
    name: 'Glacier Loop 8 (demo)',
    timeZone: 'America/Boise',
    region: 'Mountain (demo)',
    location: place(43.6, -116.2, '016001'),
    batteries: [battery({ capacityWh: 3600, chargeLimitWatts: 1440 })],
    tariff: weekdays(THREE_PERIODS, FOUR_RATES),
  },
  {
    id: 'plumeria-place-5',
    name: 'Plumeria Place 5 (demo)',
    timeZone: 'Pacific/Honolulu',
    region: 'Pacific (demo)',
    location: place(21.3, -157.85, '015003'),
    service: { otherGeneration: true },
    inlets: [{ number: 1, leg: 'L2', oneWayFeet: 70 }],
    batteries: [battery({ reservePct: 30 })],
    tariff: everyDay(EVENING_PEAK, TWO_RATES),
  },
];
