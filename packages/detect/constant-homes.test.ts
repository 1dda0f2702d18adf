// Readings of other people's making: without noise, at any rate, with only what a device must send, in packs or
// late. A house of constant loads raises nothing in three days, and each fault in it is still found.

import type { BatteryReading, IncidentKind, MeterReading, Reading, Site } from '@afterwatt/wire';
import { describe, expect, it } from 'vitest';
import { startEngine, type Transition } from './engine.ts';
import type { SiteEvent } from './event.ts';
import { startSequence } from './sequence.ts';
import {
  aBatteryReading,
  aDeviceState,
  aMeterReading,
  aSite,
  aSiteUnderTariff,
  DAY_S,
  HOUR_S,
  phoenixHour,
  START_MS,
  seconds,
} from './test-support.ts';

interface Home {
  readonly site: Site;
  /** Seconds between readings; null: it never reports. */
  readonly meterS: number | null;
  readonly batteryS: number | null;
  readonly days: number;
  /** Only what cannot be left out: voltages and powers, the state of charge. */
  readonly bare: boolean;
  readonly batteryW: (s: number) => number;
  readonly socPct: (s: number) => number;
  /** What is wrong, on top. */
  readonly meter: (s: number, meter: MeterReading) => Partial<MeterReading>;
  readonly battery: (s: number, battery: BatteryReading) => Partial<BatteryReading>;
}

const PLAIN: Home = {
  site: aSite(),
  meterS: 5,
  batteryS: 10,
  days: 3,
  bare: false,
  batteryW: () => 0,
  socPct: () => 80,
  meter: () => ({}),
  battery: () => ({}),
};
const HOUSE_W = { l1: 400, l2: 250 };
/** Volts: each leg of its own, and what 0.05 ohm of service and 0.1 ohm of inlet circuit take off. */
const SOURCE_V = { l1: 121, l2: 120.4 };

function readingsOf(home: Home): Reading[] {
  const { meterS, batteryS, days, bare, batteryW, socPct } = home;
  const end = days * DAY_S;
  const legsAt = (s: number) => {
    const l1W = HOUSE_W.l1 + batteryW(s);
    return { l1W, l1V: SOURCE_V.l1 - (0.05 * l1W) / 120, l2V: SOURCE_V.l2 - (0.05 * HOUSE_W.l2) / 120 };
  };
  const meters = (meterS === null ? [] : seconds(0, end, meterS)).map((s, i) => {
    const { l1W, l1V, l2V } = legsAt(s);
    const meter = aMeterReading(s, { l1V, l2V, l1W, l2W: HOUSE_W.l2, inlet1W: batteryW(s) });
    const rest = {
      l1A: Math.abs(l1W) / l1V,
      l2A: HOUSE_W.l2 / l2V,
      inlet1A: Math.abs(batteryW(s)) / l1V,
      frequencyHz: 60,
      rssiDbm: -60,
      seq: i,
      periodS: meterS,
    };
    const whole = bare ? meter : { ...meter, ...rest };
    return { ...whole, ...home.meter(s, whole) };
  });
  const batteries = (batteryS === null ? [] : seconds(0, end, batteryS)).map((s, i) => {
    const acW = batteryW(s);
    const acV = legsAt(s).l1V - (0.1 * acW) / 120;
    const battery = aBatteryReading(s, { acW, acV: bare ? null : acV, socPct: socPct(s) });
    const rest = {
      acA: Math.abs(acW) / acV,
      tempC: 27,
      reservePct: 20,
      rssiDbm: -62,
      seq: i,
      periodS: batteryS,
    };
    const whole = bare ? { ...battery, gridPresent: null } : { ...battery, ...rest };
    return { ...whole, ...home.battery(s, whole) };
  });
  return [...meters, ...batteries].sort((a, b) => a.at - b.at);
}

/** Every device has passed a self-test before its first reading. */
function selfTests(site: Site): SiteEvent[] {
  const devices = [site.meter.device, ...site.batteries.map(({ device }) => device)];
  return devices.map((device) =>
    aDeviceState(-60, { selfTestAt: START_MS - 600_000, selfTestPassed: true }, device),
  );
}

function run(change: Partial<Home>): Transition[] {
  const home = { ...PLAIN, ...change };
  const engine = startEngine(home.site);
  return [...selfTests(home.site), ...readingsOf(home)].flatMap((event) => [...engine.step(event)]);
}

/** As they arrive: each reading as much later as its device says, all that come in one minute together. */
function runArrivals(change: Partial<Home>, arrivalMs: (reading: Reading) => number): Transition[] {
  const home = { ...PLAIN, ...change };
  const engine = startEngine(home.site);
  const sequence = startSequence(home.site);
  const transitions = selfTests(home.site).flatMap((event) => [...engine.step(event)]);
  const arriving = readingsOf(home)
    .map((reading) => ({ reading, at: arrivalMs(reading) }))
    .sort((a, b) => a.at - b.at);
  let next = 0;
  for (let now = START_MS; now < START_MS + home.days * DAY_S * 1000; now += 5000) {
    const first = next;
    while ((arriving[next]?.at ?? Number.POSITIVE_INFINITY) <= now) next += 1;
    const came = arriving.slice(first, next).map(({ reading }) => reading);
    for (const release of [sequence.pulse(now), ...(came.length === 0 ? [] : [sequence.accept(came, [])])]) {
      for (const event of release.events) transitions.push(...engine.step(event));
      if (release.passTimeToMs !== undefined) transitions.push(...engine.passTime(release.passTimeToMs));
    }
  }
  return transitions;
}

const kinds = (transitions: readonly Transition[]): string[] => [
  ...new Set(
    transitions.filter(({ type }) => type === 'raised').map(({ kind, subject }) => `${kind} ${subject}`),
  ),
];

/** Charges from 0:00 to full, feeds from 16:00 to 30 %, every day, at constant powers: 3000 Wh, 93 % each way. */
const CHARGE_W = 1400;
const FEED_W = 600;
const CHARGE_S = ((0.7 * 3000) / 0.93 / (CHARGE_W - 16)) * HOUR_S;
const FEED_S = ((0.7 * 3000) / ((FEED_W + 14) / 0.93)) * HOUR_S;
const sinceHour = (s: number, hour: number) => (s - phoenixHour(hour) + DAY_S) % DAY_S;
const scheduledW = (s: number) =>
  sinceHour(s, 0) < CHARGE_S ? CHARGE_W : sinceHour(s, 16) < FEED_S ? -FEED_W : 8;
function scheduledPct(s: number): number {
  const charged = Math.min(1, sinceHour(s, 0) / CHARGE_S);
  const isNight = sinceHour(s, 0) < 16 * HOUR_S;
  const fed = isNight ? 0 : Math.min(1, sinceHour(s, 16) / FEED_S);
  return isNight ? 30 + 70 * charged : 100 - 70 * fed;
}
const SCHEDULED = { site: aSiteUnderTariff(), batteryW: scheduledW, socPct: scheduledPct };

describe('a house of constant loads raises nothing in three days', () => {
  it.each<[string, Partial<Home>]>([
    ['with all quantities, at the usual rates', {}],
    ['with bare readings', { bare: true }],
    ['once a minute', { meterS: 60, batteryS: 60 }],
    ['bare and once a minute', { bare: true, meterS: 60, batteryS: 60 }],
    ['a meter every second, for six hours', { meterS: 1, days: 0.25 }],
    ['a battery every second and a slow meter, for a day', { meterS: 30, batteryS: 1, days: 1 }],
    ['with a meter and no battery', { site: aSite({ batteries: [] }), batteryS: null }],
    ['with a battery that keeps its schedule', SCHEDULED],
    [
      'with a battery that keeps its schedule, once a minute and bare',
      { ...SCHEDULED, bare: true, meterS: 60, batteryS: 60 },
    ],
    [
      'that exports from its roof all day',
      {
        site: aSite({ service: { otherGeneration: true } }),
        meter: (_, meter) => ({ l1W: -(meter.l1W ?? 0) - 2000, l2W: -2250, l1A: 20, l2A: 18.7 }),
      },
    ],
    ['with nothing on L2', { meter: () => ({ l2W: 0, l2A: 0, l2V: 120.5 }) }],
  ])(
    '%s',
    (_, change) => {
      expect(kinds(run(change))).toEqual([]);
    },
    60_000,
  );

  it('in packs of 60 readings', () => {
    const packEndMs = ({ at, kind }: Reading) => {
      const packMs = (kind === 'meter' ? 5000 : 10_000) * 60;
      return START_MS + Math.ceil((at + 1 - START_MS) / packMs) * packMs;
    };
    expect(kinds(runArrivals({ ...SCHEDULED, days: 1.5 }, packEndMs))).toEqual([]);
  }, 60_000);

  it('with a meter whose readings come 15 s late', () => {
    const late = ({ at, kind }: Reading) => at + (kind === 'meter' ? 15_000 : 500);
    expect(kinds(runArrivals({ ...SCHEDULED, days: 1.5 }, late))).toEqual([]);
  }, 60_000);
});

describe('a fault in such a house is found', () => {
  const from = 2 * HOUR_S;
  const after = <T>(s: number, fields: T) => (s >= from ? fields : {});
  const faults: [string, Partial<Home>][] = [
    ['inlet-over-cap inlet 1', { batteryW: (s) => (s >= from ? 1900 : 0), days: 0.1 }],
    ['inlet-continuous-load inlet 1', { batteryW: (s) => (s >= from ? 1500 : 0), days: 0.25 }],
    ['voltage-out-of-range L1', { meter: (s) => after(s, { l1V: 128 }), days: 0.1 }],
    ['open-neutral service', { meter: (s) => after(s, { l1V: 98, l2V: 143 }), days: 0.1 }],
    ['reserve-low battery-1', { socPct: (s) => (s >= from ? 15 : 80), days: 0.1 }],
    [
      'reserve-forecast battery-1',
      {
        batteryW: (s) => (s >= from ? -300 : 0),
        socPct: (s) => (s >= from ? 35 - (s - from) / 400 : 80),
        meter: (s) => after(s, { l1V: 0, l2V: 0, l1W: 0, l2W: 0, inlet1W: 0, l1A: 0, l2A: 0, inlet1A: 0 }),
        battery: (s) => after(s, { gridPresent: false }),
        days: 0.1,
      },
    ],
    [
      'backfeed-in-outage inlet 1',
      {
        batteryW: (s) => (s >= from ? -650 : 0),
        meter: (s) => after(s, { l1W: 0, l2W: 0, l2V: 0, l1A: 0, l2A: 0 }),
        battery: (s) => after(s, { gridPresent: false }),
        days: 0.1,
      },
    ],
    ['reserve-setting battery-1', { battery: (s) => after(s, { reservePct: 10 }), days: 0.1 }],
    ['battery-hot battery-1', { battery: (s) => after(s, { tempC: 56 }), days: 0.1 }],
    ['radio-weak battery-1', { battery: (s) => after(s, { rssiDbm: -80 }), days: 0.2 }],
  ];
  const makers: [string, Partial<Home>][] = [
    ['as usual', {}],
    ['bare, once a minute', { bare: true, meterS: 60, batteryS: 60 }],
  ];
  const cases = faults.flatMap(([fault, change]) =>
    makers.map(([maker, how]) => ({ fault, maker, change: { ...change, ...how } })),
  );

  it.each(cases)('$fault, $maker', ({ fault, change }) => {
    expect(kinds(run(change))).toContain(fault);
  });

  it('that a device falls silent', () => {
    const engine = startEngine(PLAIN.site);
    const readings = readingsOf({ ...PLAIN, days: 0.1, bare: true }).filter(
      ({ kind, at }) => kind === 'meter' || at < START_MS + from * 1000,
    );
    const told = readings.flatMap((event) => [...engine.step(event)]);
    expect(kinds(told)).toEqual(['device-silent battery-1'] satisfies `${IncidentKind} ${string}`[]);
  });
});
