// Invented sites for the score: every shape that the contract allows and the trade builds.

import { type Site, type SiteInput, siteSchema } from '@afterwatt/wire';
import { type RandomStream, randomStream } from '../random.ts';

type TariffInput = NonNullable<SiteInput['tariff']>;
type Day = TariffInput['seasons'][number]['weekday'];
type InletInput = NonNullable<SiteInput['inlets']>[number];
type BatteryInput = NonNullable<SiteInput['batteries']>[number];
type Change = readonly [string, Day[number]['period']];

/** Charged from empty within this, so that a storm's warning is long enough for a healthy home. */
const LONGEST_CHARGE_H = 5.5;
/** What the simulated unit's installer keeps below the breaker (NEC 210.20(A): 80 % where it takes hours). */
const INSTALLER_SHARE = 0.76;

interface Place {
  readonly timeZone: string;
  readonly region: string;
  readonly lat: number;
  readonly lon: number;
  readonly same: string;
}

const PLACES: readonly [Place, ...Place[]] = [
  { timeZone: 'America/Denver', region: 'Mountain', lat: 39.74, lon: -104.99, same: '008031' },
  { timeZone: 'America/Phoenix', region: 'Mountain', lat: 33.45, lon: -112.07, same: '004013' },
  { timeZone: 'America/Boise', region: 'Mountain', lat: 43.6, lon: -116.2, same: '016001' },
  { timeZone: 'America/Los_Angeles', region: 'Pacific', lat: 38.58, lon: -121.49, same: '006067' },
  { timeZone: 'Pacific/Honolulu', region: 'Pacific', lat: 21.3, lon: -157.85, same: '015003' },
  { timeZone: 'America/Chicago', region: 'Central', lat: 41.6, lon: -93.6, same: '019153' },
  { timeZone: 'America/New_York', region: 'East', lat: 42.36, lon: -72.5, same: '025015' },
  { timeZone: 'America/Detroit', region: 'East', lat: 42.3, lon: -83.1, same: '026163' },
  { timeZone: 'America/Anchorage', region: 'North', lat: 61.2, lon: -149.9, same: '002020' },
];

/** The site of this seed. Periods are the contract's: the meter every 5 s, batteries every 10 s. */
export function drawSite(seed: string): Site {
  const random = randomStream(seed, 'site');
  const place = random.pick(PLACES);
  const inlets = drawInlets(random);
  return siteSchema.parse({
    id: 'drawn-site',
    name: 'Drawn site (invented)',
    timeZone: place.timeZone,
    region: place.region,
    location: { lat: place.lat, lon: place.lon, geocodes: [{ system: 'SAME', code: place.same }] },
    service: { mainAmps: random.pick([100, 200, 200]), otherGeneration: random.chance(0.25) },
    meter: { accuracyPct: random.pick([0.5, 1, 1, 2]) },
    inlets,
    batteries: drawBatteries(random, inlets),
    tariff: drawTariff(random),
    storm: { enabled: random.chance(0.9), targetPct: random.pick([90, 100, 100]) },
  });
}

function drawInlets(random: RandomStream): InletInput[] {
  const count = random.chance(0.3) ? 2 : 1;
  const first = random.pick(['L1', 'L2'] as const);
  const second = random.chance(0.25) ? first : first === 'L1' ? 'L2' : 'L1';
  const shares = count === 2 && first === second && random.chance(0.4);
  return Array.from({ length: count }, (_, index) => {
    const breakerAmps = shares || random.chance(0.75) ? 15 : 20;
    const capAmps = random.chance(0.75) ? breakerAmps : random.pick([10, 12]);
    return {
      number: index === 0 ? 1 : 2,
      leg: index === 0 ? first : second,
      capAmps,
      capWatts: 120 * capAmps,
      breakerAmps,
      conductorAwg: breakerAmps === 15 ? random.pick([14, 12, 12]) : random.pick([12, 10]),
      oneWayFeet: Math.round(random.between(10, 90)),
      breaker: shares ? 'shared' : null,
    };
  });
}

function drawBatteries(random: RandomStream, inlets: readonly InletInput[]): BatteryInput[] {
  const places: (1 | 2)[] = inlets.length === 2 ? [1, 2] : random.chance(0.08) ? [1, 1] : [1];
  const shared = inlets.some(({ breaker }) => breaker !== null);
  return places.map((inlet, index) => {
    const { capAmps = 15, breakerAmps = 15 } = inlets.find(({ number }) => number === inlet) ?? {};
    const sharers = shared || places.filter((other) => other === inlet).length === 2 ? 2 : 1;
    const mostW = (120 * Math.min(0.92 * capAmps, INSTALLER_SHARE * breakerAmps)) / sharers;
    const chargeLimitWatts = 10 * Math.floor(random.between(0.6, 1) * (mostW / 10));
    const capacityWh = 100 * Math.round(random.between(10, (LONGEST_CHARGE_H * chargeLimitWatts) / 100));
    return {
      device: `battery-${index + 1}`,
      inlet,
      capacityWh,
      reservePct: Math.round(random.between(10, 40)),
      chargeLimitWatts,
    };
  });
}

function day(...changes: readonly Change[]): Day {
  return changes.map(([from, period], index) => ({ period, from, to: changes[index + 1]?.[0] ?? '24:00' }));
}

const FLAT = day(['00:00', 'off-peak']);
const EVENING_PEAK = day(['00:00', 'off-peak'], ['16:00', 'peak'], ['21:00', 'off-peak']);
const LATE_PEAK = day(['00:00', 'off-peak'], ['17:30', 'peak'], ['20:30', 'off-peak']);
const AFTERNOON_PEAK = day(['00:00', 'off-peak'], ['13:00', 'peak'], ['19:00', 'off-peak']);
const TWO_PEAKS = day(
  ['00:00', 'off-peak'],
  ['06:00', 'peak'],
  ['09:00', 'off-peak'],
  ['17:00', 'peak'],
  ['20:00', 'off-peak'],
);
const FOUR_PERIODS = day(
  ['00:00', 'super-off-peak'],
  ['06:00', 'off-peak'],
  ['15:00', 'mid-peak'],
  ['17:00', 'peak'],
  ['20:00', 'off-peak'],
);
const CHEAP_MIDDAY = day(
  ['00:00', 'off-peak'],
  ['10:00', 'super-off-peak'],
  ['14:00', 'off-peak'],
  ['16:00', 'peak'],
  ['21:00', 'off-peak'],
);
const RATES = { peak: 0.45, 'mid-peak': 0.33, 'off-peak': 0.2, 'super-off-peak': 0.11 };

function drawTariff(random: RandomStream): TariffInput | null {
  if (random.chance(0.1)) return null;
  const offPeakDepthPct = random.pick([10, 20, 20, 30]);
  const plan = random.pick([EVENING_PEAK, LATE_PEAK, AFTERNOON_PEAK, TWO_PEAKS, FOUR_PERIODS, CHEAP_MIDDAY]);
  const isFlatOnWeekends = random.chance(0.6);
  const week = (weekday: Day) => ({ weekday, weekend: isFlatOnWeekends ? FLAT : weekday });
  const seasons = random.chance(0.7)
    ? [{ name: 'all year', ...week(plan) }]
    : [
        { name: 'summer', from: '06-01', to: '09-30', ...week(plan) },
        { name: 'winter', from: '10-01', to: '05-31', ...week(random.pick([plan, TWO_PEAKS])) },
      ];
  return { seasons, rates: RATES, holidays: ['2026-01-01', '2026-07-03', '2026-12-25'], offPeakDepthPct };
}
