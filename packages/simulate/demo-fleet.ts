// The demo: a dozen invented homes, half of them with one fault that stands now. Streets, households and alerts
// are made up; only the time zones and area codes are real.

import { type Site, type SiteInput, siteSchema } from '@afterwatt/wire';
import { FAULTS, truthsOf } from './faults/faults.ts';
import type { FaultSpec, SiteAlert, Truth } from './scenario.ts';
import { capAlertXml } from './storm-alert.ts';

const HOUR_MS = 3_600_000;
const DAY_MS = 24 * HOUR_MS;
const HISTORY_MS = 14 * DAY_MS;
const FULL_PERIODS_MS = 2 * DAY_MS;

export interface DemoHome {
  /** As POST /v1/sites takes it. */
  readonly site: SiteInput;
  readonly seed: string;
  readonly faults: readonly FaultSpec[];
  readonly alerts: readonly SiteAlert[];
  readonly truth: readonly Truth[];
}

export interface DemoFleet {
  readonly homes: readonly DemoHome[];
  /** CAP 1.2 documents, as POST /v1/storm-alerts takes them. */
  readonly alerts: readonly string[];
  /** Where the history begins, and from when on devices report at their full rate. */
  readonly fromMs: number;
  readonly coarseUntilMs: number;
}

/**
 * The fleet as it is at `nowMs`: every fault's incident stands then. Pass the instant of the first start again
 * on every later one, or the faults move.
 */
export function demoFleet(nowMs: number): DemoFleet {
  const faulty = faultsByHome(nowMs);
  const homes = SITES.map((input) => {
    const site = siteSchema.parse(input);
    const faults = faulty[input.id] ?? [];
    const alerts = faults.flatMap((spec) => FAULTS[spec.name].alert?.(spec) ?? []);
    return { site: input, parsed: site, seed: `demo/${input.id}`, faults, alerts };
  });
  // The neighbour within reach of the alert prepares as it should.
  const alertOf = (home: (typeof homes)[number]): readonly SiteAlert[] =>
    homes.filter((other) => sharesArea(other.parsed, home.parsed)).flatMap(({ alerts }) => alerts);
  return {
    homes: homes.map((home) => ({
      site: home.site,
      seed: home.seed,
      faults: home.faults,
      alerts: home.alerts.length > 0 ? [] : alertOf(home),
      truth: home.faults.flatMap((spec) => truthsOf(spec, home.parsed)),
    })),
    alerts: homes.flatMap(({ alerts, parsed }) => alerts.map((alert) => capAlertXml(alert, parsed))),
    fromMs: nowMs - HISTORY_MS,
    coarseUntilMs: nowMs - FULL_PERIODS_MS,
  };
}

function faultsByHome(nowMs: number): Readonly<Record<string, readonly FaultSpec[]>> {
  const ago = (hours: number): number => nowMs - hours * HOUR_MS;
  const one = (name: FaultSpec['name'], subject: string, hoursAgo: number, severity: number) => [
    { name, subject, onsetMs: ago(hoursAgo), endMs: null, severity },
  ];
  return {
    'juniper-court-11': one('inlet-ct-reversed', 'inlet 1', 81, 0.5),
    'quarry-road-207': one('service-ct-reversed', 'L2', 125, 0.5),
    'mill-pond-way-3': one('inlet-over-cap-foreign-load', 'inlet 1', 9, 0.12),
    'orchard-hill-58': one('reserve-low', 'battery-1', 40, 0.6),
    'harbor-view-16': one('storm-charge-stalled', 'battery-1', 3, 0),
    'sandpiper-lane-9': one('device-silent', 'battery-1', 7, 1),
  };
}

function sharesArea(a: Site, b: Site): boolean {
  const codes = new Set(a.location?.geocodes.map(({ code }) => code));
  return b.location?.geocodes.some(({ code }) => codes.has(code)) ?? false;
}

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

const SITES: readonly SiteInput[] = [
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
