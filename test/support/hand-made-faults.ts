// Every fault of the catalog that shows in readings, and homes in which nothing is wrong although it may look so,
// written out by hand upon hand-made-home.ts. Times are hours from the start of a case.

import { aHouse, dailyCycle, type House, type Instant, type Row, wander } from './hand-made-home.ts';

const HOUR = 3_600;

export interface Expected {
  readonly kind: string;
  readonly subject: string;
  readonly priority: string;
  /** From the fault's beginning to `detectedAt`, at most. */
  readonly withinS: number;
  /** Whether the fault is gone at `until`, and the incident with it at the end. */
  readonly clears: boolean;
}

/** What of a CAP message matters here; hours are of the case. */
export interface StormMessage {
  readonly identifier: string;
  readonly sentHour: number;
  readonly onsetHour: number;
  readonly sameCode: string;
  readonly status?: 'Actual' | 'Test';
  readonly msgType?: 'Alert' | 'Update' | 'Cancel';
  /** The message that it changes. */
  readonly changes?: StormMessage;
}

export interface Case {
  readonly name: string;
  readonly hours: number;
  /** Hour of the day (UTC) at which it starts. */
  readonly startHour: number;
  /** Days before today on which it ends; 0: it ends before now, at the hour that follows from the start. */
  readonly daysAgo: number;
  readonly faultFrom: number;
  readonly faultTo: number;
  readonly expected: readonly Expected[];
  /** Kinds that may, but need not, be raised beside it, because they are also true. */
  readonly allowed: readonly string[];
  readonly house: (hours: (at: number) => number) => House;
  readonly meter: (row: Row, hour: number, now: Instant) => Row | undefined;
  readonly battery: (row: Row, hour: number, now: Instant, n: number) => Row | undefined;
  readonly site: Readonly<Record<string, unknown>>;
  readonly selfTest: boolean;
  /** CAP messages that are posted before its readings. */
  readonly storms: readonly StormMessage[];
  /** Seconds between readings, where they matter. */
  readonly periodS?: number;
}

export function aCase(name: string, it: Partial<Case> & { expected?: readonly Expected[] }): Case {
  return {
    name,
    hours: 24,
    startHour: 0,
    daysAgo: 1,
    faultFrom: 0,
    faultTo: Number.POSITIVE_INFINITY,
    expected: [],
    allowed: [],
    house: () => aHouse(),
    meter: (row) => row,
    battery: (row) => row,
    site: {},
    selfTest: true,
    storms: [],
    ...it,
  };
}

export function expected(
  kind: string,
  subject: string,
  priority: string,
  withinS: number,
  clears = false,
): Expected {
  return { kind, subject, priority, withinS, clears };
}

function num(row: Row, name: string): number {
  const value = row[name];
  return typeof value === 'number' ? value : Number.NaN;
}

const between = (hour: number, from: number, to: number) => hour >= from && hour < to;
/** What a case has unless it says otherwise. */
export const INLET = {
  number: 1,
  leg: 'L1',
  capAmps: 15,
  capWatts: 1800,
  breakerAmps: 15,
  conductorAwg: 12,
  oneWayFeet: 40,
};
export const BATTERY = {
  device: 'battery-1',
  inlet: 1,
  capacityWh: 3000,
  reservePct: 20,
  chargeLimitWatts: 1500,
  periodSeconds: 10,
};
const TWO_INLETS = {
  inlets: [INLET, { ...INLET, number: 2, leg: 'L2' }],
  batteries: [BATTERY, { ...BATTERY, device: 'battery-2', inlet: 2 }],
};
const TARIFF = {
  currency: 'USD',
  seasons: [
    {
      name: 'all year',
      from: '01-01',
      to: '12-31',
      weekday: [
        { period: 'super-off-peak', from: '00:00', to: '06:00' },
        { period: 'off-peak', from: '06:00', to: '16:00' },
        { period: 'peak', from: '16:00', to: '21:00' },
        { period: 'off-peak', from: '21:00', to: '24:00' },
      ],
      weekend: [
        { period: 'super-off-peak', from: '00:00', to: '06:00' },
        { period: 'off-peak', from: '06:00', to: '16:00' },
        { period: 'peak', from: '16:00', to: '21:00' },
        { period: 'off-peak', from: '21:00', to: '24:00' },
      ],
    },
  ],
  rates: { peak: 0.42, 'off-peak': 0.17, 'super-off-peak': 0.08 },
  offPeakDepthPct: 20,
};
const ON_TARIFF = { timeZone: 'UTC', tariff: TARIFF };

/** A service CT on the other leg, read against its own leg's voltage: power of the other leg with the sign turned. */
function swapped(row: Row, turn1: 1 | -1, turn2: 1 | -1): Row {
  return {
    ...row,
    'l1.p': (turn1 * -num(row, 'l2.p') * num(row, 'l1.v')) / num(row, 'l2.v'),
    'l2.p': (turn2 * -num(row, 'l1.p') * num(row, 'l2.v')) / num(row, 'l1.v'),
    'l1.i': num(row, 'l2.i'),
    'l2.i': num(row, 'l1.i'),
  };
}

export const FAULTS: readonly Case[] = [
  aCase('L1 service CT reversed', {
    expected: [expected('service-ct-reversed', 'L1', 'medium', 24 * HOUR)],
    meter: (row) => ({ ...row, 'l1.p': -num(row, 'l1.p') }),
  }),
  aCase('L2 service CT reversed, with nothing but 240 V loads to show it', {
    expected: [expected('service-ct-reversed', 'L2', 'medium', 24 * HOUR)],
    meter: (row) => ({ ...row, 'l2.p': -num(row, 'l2.p') }),
  }),
  aCase('L1 service CT reversed on a home with solar', {
    expected: [expected('service-ct-reversed', 'L1', 'medium', 24 * HOUR)],
    site: { service: { nominalVolts: 120, mainAmps: 200, otherGeneration: true } },
    house: () => aHouse({ solarW: sun }),
    meter: (row) => ({ ...row, 'l1.p': -num(row, 'l1.p') }),
  }),
  aCase('L1 service CT turned during the sixth hour, and turned back', {
    hours: 30,
    faultFrom: 6,
    faultTo: 24,
    expected: [expected('service-ct-reversed', 'L1', 'medium', 18 * HOUR, true)],
    meter: (row, hour) => (between(hour, 6, 24) ? { ...row, 'l1.p': -num(row, 'l1.p') } : row),
  }),
  aCase('service CTs swapped, arrows as they were', {
    expected: [expected('service-ct-swapped', 'service', 'medium', 24 * HOUR)],
    meter: (row) => swapped(row, 1, 1),
  }),
  aCase('service CTs swapped, both turned: every sum is right', {
    expected: [expected('service-ct-swapped', 'service', 'medium', 24 * HOUR)],
    meter: (row) => swapped(row, -1, -1),
  }),
  aCase('service CTs swapped, one turned', {
    expected: [expected('service-ct-swapped', 'service', 'medium', 24 * HOUR)],
    allowed: ['service-ct-reversed'],
    meter: (row) => swapped(row, -1, 1),
  }),
  aCase('inlet CT reversed', {
    hours: 5,
    faultFrom: 1,
    expected: [expected('inlet-ct-reversed', 'inlet 1', 'medium', 180)],
    meter: (row) => ({ ...row, 'inlet1.p': -num(row, 'inlet1.p') }),
  }),
  aCase('inlet CT reversed, first seen on a discharge', {
    hours: 5,
    startHour: 16,
    faultFrom: 1,
    expected: [expected('inlet-ct-reversed', 'inlet 1', 'medium', 180)],
    meter: (row) => ({ ...row, 'inlet1.p': -num(row, 'inlet1.p') }),
  }),
  aCase('inlet CTs swapped between two inlets on one leg', {
    hours: 24,
    faultFrom: 1,
    expected: [expected('inlet-ct-swapped', 'inlets', 'medium', 24 * HOUR)],
    site: { ...TWO_INLETS, inlets: [INLET, { ...INLET, number: 2 }] },
    house: () => aHouse({ inletLegs: [0, 0], batteryW: alternating }),
    meter: (row) => ({
      ...row,
      'inlet1.p': num(row, 'inlet2.p'),
      'inlet1.i': num(row, 'inlet2.i'),
      'inlet2.p': num(row, 'inlet1.p'),
      'inlet2.i': num(row, 'inlet1.i'),
    }),
  }),
  aCase('inlet CTs swapped between two inlets on two legs', {
    hours: 24,
    faultFrom: 1,
    expected: [expected('inlet-ct-swapped', 'inlets', 'medium', 24 * HOUR)],
    allowed: ['inlet-ct-reversed'],
    site: TWO_INLETS,
    house: () => aHouse({ inletLegs: [0, 1], batteryW: alternating }),
    meter: (row) => ({
      ...row,
      'inlet1.p': -num(row, 'inlet2.p'),
      'inlet1.i': num(row, 'inlet2.i'),
      'inlet2.p': -num(row, 'inlet1.p'),
      'inlet2.i': num(row, 'inlet1.i'),
    }),
  }),
  aCase('L2 service CT gives no signal, with a battery on L2', {
    expected: [expected('ct-no-signal', 'L2', 'medium', 24 * HOUR)],
    allowed: ['sensor-flatline'],
    site: { inlets: [{ ...INLET, leg: 'L2' }] },
    house: () => aHouse({ inletLegs: [1] }),
    meter: (row) => ({ ...row, 'l2.p': 0, 'l2.i': 0 }),
  }),
  aCase('L2 service CT gives no signal, with the only battery on L1', {
    periodS: 10,
    expected: [expected('ct-no-signal', 'L2', 'medium', 24 * HOUR)],
    allowed: ['sensor-flatline'],
    meter: (row) => ({ ...row, 'l2.p': 0, 'l2.i': 0 }),
  }),
  aCase('L1 service CT gives no signal, with the only battery on L2', {
    periodS: 10,
    expected: [expected('ct-no-signal', 'L1', 'medium', 24 * HOUR)],
    allowed: ['sensor-flatline'],
    site: { inlets: [{ ...INLET, leg: 'L2' }] },
    house: () => aHouse({ inletLegs: [1] }),
    meter: (row) => ({ ...row, 'l1.p': 0, 'l1.i': 0 }),
  }),
  aCase('inlet CT gives no signal', {
    hours: 6,
    faultFrom: 1,
    expected: [expected('ct-no-signal', 'inlet 1', 'medium', 6 * HOUR)],
    allowed: ['sensor-flatline'],
    meter: (row) => ({ ...row, 'inlet1.p': 0, 'inlet1.i': 0 }),
  }),
  aCase('inlet CT reads noise around zero', {
    hours: 6,
    faultFrom: 1,
    expected: [expected('ct-no-signal', 'inlet 1', 'medium', 6 * HOUR)],
    meter: (row, _, now) => ({ ...row, 'inlet1.p': 2 * wander(5, now.at, 7), 'inlet1.i': 0.02 }),
  }),
  aCase('L1 service CT of half the ratio', {
    expected: [expected('ct-ratio', 'L1', 'low', 24 * HOUR)],
    meter: (row) => ({ ...row, 'l1.p': num(row, 'l1.p') / 2, 'l1.i': num(row, 'l1.i') / 2 }),
  }),
  aCase('inlet CT of twice the ratio', {
    hours: 6,
    faultFrom: 1,
    expected: [expected('ct-ratio', 'inlet 1', 'low', 6 * HOUR)],
    allowed: ['inlet-over-cap', 'inlet-continuous-load'],
    meter: (row) => ({ ...row, 'inlet1.p': 2 * num(row, 'inlet1.p'), 'inlet1.i': 2 * num(row, 'inlet1.i') }),
  }),
  aCase('inlet at 110 % of its cap for ten minutes', {
    hours: 2,
    faultFrom: 1,
    faultTo: 1 + 1 / 6,
    expected: [expected('inlet-over-cap', 'inlet 1', 'high', 15 + 10, true)],
    house: (hour) => aHouse({ batteryW: (at) => (between(hour(at), 1, 1 + 1 / 6) ? 1_980 : 600) }),
  }),
  aCase('inlet at 140 % of its cap for half a minute', {
    hours: 2,
    faultFrom: 1,
    faultTo: 1 + 1 / 120,
    expected: [expected('inlet-over-cap', 'inlet 1', 'high', 15, true)],
    house: (hour) => aHouse({ batteryW: (at) => (between(hour(at), 1, 1 + 1 / 120) ? 2_520 : 600) }),
  }),
  aCase('inlet over its cap by the battery’s own figure alone', {
    hours: 2,
    faultFrom: 1,
    faultTo: 1.25,
    expected: [expected('inlet-over-cap', 'inlet 1', 'high', 15 + 10, true)],
    house: (hour) => aHouse({ batteryW: (at) => (between(hour(at), 1, 1.25) ? 2_000 : 600) }),
    meter: (row) => without(row, ['inlet1.p', 'inlet1.i']),
  }),
  aCase('two batteries on one inlet, over its cap together', {
    hours: 2,
    faultFrom: 1,
    faultTo: 1.25,
    expected: [expected('inlet-over-cap', 'inlet 1', 'high', 15 + 10, true)],
    site: { batteries: [BATTERY, { ...BATTERY, device: 'battery-2' }] },
    house: (hour) =>
      aHouse({ inletLegs: [0, 0], batteryW: (at) => (between(hour(at), 1, 1.25) ? 1_050 : 300) }),
    meter: (row) => {
      const sum = {
        ...row,
        'inlet1.p': num(row, 'inlet1.p') + num(row, 'inlet2.p'),
        'inlet1.i': num(row, 'inlet1.i') + num(row, 'inlet2.i'),
      };
      return without(sum, ['inlet2.p', 'inlet2.i']);
    },
  }),
  aCase('inlet at 82 % of its breaker for four hours', {
    hours: 6,
    faultFrom: 0.5,
    faultTo: 4.5,
    expected: [expected('inlet-continuous-load', 'inlet 1', 'medium', 3.1 * HOUR, true)],
    site: { batteries: [{ ...BATTERY, capacityWh: 8_000 }] },
    house: (hour) =>
      aHouse({
        capacityWh: 8_000,
        startSocPct: 10,
        batteryW: (at) => (between(hour(at), 0.5, 4.5) ? 1_500 : 0),
      }),
    battery: (row) => ({ ...row, soc: num(row, 'soc') }),
    allowed: ['reserve-low'],
  }),
  aCase('inlet circuit of twice its resistance', {
    expected: [expected('inlet-circuit-resistance', 'inlet 1', 'high', 24 * HOUR)],
    house: () => aHouse({ circuitOhm: () => 0.16 + 0.2 }),
  }),
  aCase('neutral opens at once', {
    hours: 4,
    faultFrom: 2,
    faultTo: 3,
    expected: [expected('open-neutral', 'service', 'critical', 15, true)],
    allowed: ['voltage-out-of-range'],
    house: (hour) =>
      aHouse({ neutralOhm: (at) => (between(hour(at), 2, 3) ? 4 : 0.02), loadsW: () => [900, 250] }),
  }),
  aCase('neutral works loose over a day', {
    hours: 48,
    faultFrom: 12,
    expected: [expected('open-neutral', 'service', 'critical', 36 * HOUR)],
    allowed: ['voltage-out-of-range'],
    house: (hour) =>
      aHouse({ neutralOhm: (at) => 0.02 + Math.max(0, Math.min(1, (hour(at) - 12) / 20)) * 0.8 }),
  }),
  aCase('both legs above range B for five minutes', {
    hours: 3,
    faultFrom: 1,
    faultTo: 1 + 1 / 12,
    expected: [
      expected('voltage-out-of-range', 'L1', 'medium', 75, true),
      expected('voltage-out-of-range', 'L2', 'medium', 75, true),
    ],
    house: (hour) => aHouse({ sourceV: (at) => (between(hour(at), 1, 1 + 1 / 12) ? 129.5 : 121) }),
  }),
  aCase('both legs below range A for an hour', {
    hours: 4,
    faultFrom: 1,
    faultTo: 2,
    expected: [
      expected('voltage-out-of-range', 'L1', 'medium', 20 * 60 + 15, true),
      expected('voltage-out-of-range', 'L2', 'medium', 20 * 60 + 15, true),
    ],
    house: (hour) => aHouse({ sourceV: (at) => (between(hour(at), 1, 2) ? 112.6 : 120), load240W: () => 0 }),
  }),
  aCase('battery feeds the panel in an outage', {
    hours: 2,
    faultFrom: 1,
    faultTo: 1.5,
    expected: [expected('backfeed-in-outage', 'inlet 1', 'critical', 15, true)],
    allowed: ['reserve-forecast', 'reserve-low'],
    house: (hour) =>
      aHouse({
        gridPresent: (at) => !between(hour(at), 1, 1.5),
        batteryW: (at) => (between(hour(at), 1, 1.5) ? -400 : 0),
      }),
  }),
  aCase('reserve drained with the grid there', {
    hours: 3,
    faultFrom: 1,
    faultTo: 2,
    expected: [expected('reserve-low', 'battery-1', 'high', 11 * 60, true)],
    house: () => aHouse({ batteryW: () => 0 }),
    battery: (row, hour) => ({ ...row, soc: between(hour, 1, 2) ? 15 : hour < 2 ? 40 : 40 }),
  }),
  aCase('an outage runs the battery down, its own sockets feeding the home', {
    hours: 7,
    faultFrom: 1,
    faultTo: 6,
    expected: [
      expected('reserve-forecast', 'battery-1', 'medium', 5 * HOUR, true),
      expected('reserve-low', 'battery-1', 'high', 5 * HOUR, true),
    ],
    house: (hour) =>
      aHouse({
        gridPresent: (at) => !between(hour(at), 1, 6),
        socketsW: (at) => (between(hour(at), 1, 6) ? 300 : 0),
        batteryW: (at, _, soc) => (hour(at) >= 6 && soc < 70 ? 1_200 : 0),
      }),
  }),
  aCase('the unit’s reserve is not the site’s', {
    hours: 6,
    expected: [expected('reserve-setting', 'battery-1', 'low', 6 * HOUR)],
    battery: (row) => ({ ...row, reserve: 10 }),
  }),
  aCase('charging from the grid in the peak', {
    expected: [expected('tariff-charge-in-peak', 'battery-1', 'low', 18 * HOUR)],
    faultFrom: 17,
    site: ON_TARIFF,
    house: (hour) => aHouse({ startSocPct: 40, batteryW: (at) => (between(hour(at), 17, 18) ? 900 : 0) }),
  }),
  aCase('feeding the house in the super off-peak', {
    faultFrom: 2,
    expected: [expected('tariff-discharge-in-super-off-peak', 'battery-1', 'low', 24 * HOUR)],
    site: ON_TARIFF,
    house: (hour) => aHouse({ startSocPct: 90, batteryW: (at) => (between(hour(at), 2, 4) ? -450 : 0) }),
  }),
  aCase('feeding more than the depth allowed in the off-peak', {
    faultFrom: 8,
    // The off-peak period of the same evening goes by without.
    expected: [expected('tariff-off-peak-depth', 'battery-1', 'low', 24 * HOUR, true)],
    site: ON_TARIFF,
    house: (hour) => aHouse({ startSocPct: 90, batteryW: (at) => (between(hour(at), 8, 11) ? -450 : 0) }),
  }),
  aCase('the unit’s schedule runs three hours late', {
    hours: 24 * 9,
    expected: [expected('tariff-clock-shift', 'battery-1', 'medium', 9 * 24 * HOUR)],
    allowed: ['tariff-charge-in-peak', 'tariff-discharge-in-super-off-peak', 'tariff-off-peak-depth'],
    site: ON_TARIFF,
    house: () => aHouse({ batteryW: (at, _, soc) => timeOfUse(at - 3 * HOUR, soc) }),
  }),
  aCase('battery of 65 % of its capacity', {
    hours: 24 * 4,
    expected: [expected('battery-energy-mismatch', 'battery-1', 'low', 24 * 4 * HOUR)],
    house: () => aHouse({ capacityWh: 1_950 }),
  }),
  aCase('battery at 60 degrees for five minutes', {
    hours: 2,
    faultFrom: 1,
    faultTo: 1 + 1 / 12,
    expected: [expected('battery-hot', 'battery-1', 'high', 140, true)],
    battery: (row, hour) => (between(hour, 1, 1 + 1 / 12) ? { ...row, temp: 60 } : row),
  }),
  aCase('battery silent for two hours while the meter goes on', {
    hours: 6,
    faultFrom: 2,
    faultTo: 4,
    expected: [expected('device-silent', 'battery-1', 'medium', 6 * 60, true)],
    battery: (row, hour) => (between(hour, 2, 4) ? undefined : row),
  }),
  aCase('one reading in twenty lost on the way', {
    hours: 3,
    expected: [expected('readings-lost', 'meter-1', 'low', 2.1 * HOUR)],
    meter: (row) => (num(row, 'seq') % 20 === 7 ? undefined : row),
  }),
  aCase('L2 voltage stands still', {
    hours: 8,
    faultFrom: 4,
    expected: [expected('sensor-flatline', 'meter-1 l2.v', 'low', 4 * HOUR)],
    meter: (row, hour) => (hour >= 4 ? { ...row, 'l2.v': 120.3 } : row),
  }),
  aCase('L1 power stands still', {
    hours: 8,
    faultFrom: 4,
    expected: [expected('sensor-flatline', 'meter-1 l1.p', 'low', 4 * HOUR)],
    allowed: ['ct-no-signal'],
    meter: (row, hour) => (hour >= 4 ? { ...row, 'l1.p': 412.5 } : row),
  }),
  aCase('battery at the edge of the radio’s reach', {
    hours: 3,
    expected: [expected('radio-weak', 'battery-1', 'low', 1.2 * HOUR)],
    battery: (row) => ({ ...row, rssi: num(row, 'rssi') - 22 }),
  }),
  aCase('no self-test within a day', {
    hours: 26,
    expected: [expected('self-test-missing', 'battery-1', 'low', 25 * HOUR)],
    allowed: ['self-test-missing'],
    selfTest: false,
  }),
];

export const QUIET: readonly Case[] = [
  aCase('an ordinary week', { hours: 7 * 24 }),
  aCase('solar exporter', {
    hours: 48,
    site: { service: { nominalVolts: 120, mainAmps: 200, otherGeneration: true } },
    house: () => aHouse({ seed: 3, solarW: sun }),
  }),
  aCase('electric car charging at 7.2 kW', {
    hours: 48,
    house: () => aHouse({ seed: 4, load240W: (at) => (between((at / HOUR) % 24, 2, 6) ? 7_200 : 0) }),
  }),
  aCase('nothing on L2', {
    hours: 48,
    house: () => aHouse({ seed: 5, loadsW: (at) => [300 + 60 * wander(1, at, 900), 0], load240W: () => 0 }),
  }),
  aCase('next to nothing on L2', {
    hours: 48,
    house: () =>
      aHouse({
        seed: 6,
        loadsW: (at) => [300 + 60 * wander(1, at, 900), 4 + wander(2, at, 600)],
        load240W: () => 0,
      }),
  }),
  aCase('battery on L2', {
    hours: 48,
    site: { inlets: [{ ...INLET, leg: 'L2' }] },
    house: () => aHouse({ seed: 7, inletLegs: [1] }),
  }),
  aCase('two inlets, two batteries', {
    hours: 48,
    site: TWO_INLETS,
    house: () => aHouse({ seed: 8, inletLegs: [0, 1] }),
  }),
  aCase('brown-out of five seconds, and dips', {
    hours: 24,
    house: (hour) =>
      aHouse({
        seed: 9,
        sourceV: (at) =>
          between(hour(at), 6, 6.0014)
            ? 95
            : between(hour(at) % 3, 1, 1.0006)
              ? 112
              : 121 + 0.5 * wander(9, at, 2_000),
      }),
  }),
  aCase('outage of an hour with a full battery', {
    hours: 24,
    house: (hour) =>
      aHouse({
        seed: 10,
        startSocPct: 95,
        gridPresent: (at) => !between(hour(at), 8, 9),
        socketsW: (at) => (between(hour(at), 8, 9) ? 200 : 0),
      }),
  }),
  aCase('firmware update: a gap of four minutes, and seq starts anew', {
    hours: 24,
    meter: (row, hour) =>
      between(hour, 10, 10 + 4 / 60)
        ? undefined
        : hour >= 10
          ? { ...row, seq: num(row, 'seq') - 7_000 }
          : row,
  }),
  aCase('battery clock jumps back 20 s and is put right after an hour', {
    hours: 24,
    battery: (row, hour) => (between(hour, 9, 10) ? { ...row, at: row.at - 20 } : row),
  }),
  aCase('battery clock three seconds off all day', {
    hours: 48,
    battery: (row) => ({ ...row, at: row.at + 3 }),
  }),
  aCase('a schedule that keeps to the tariff for ten days', {
    hours: 24 * 10,
    site: ON_TARIFF,
    house: () => aHouse({ seed: 12, batteryW: (at, _, soc) => timeOfUse(at, soc) }),
  }),
  aCase('a schedule in Denver over the end of daylight saving time', {
    hours: 24 * 10,
    site: { timeZone: 'America/Denver', tariff: TARIFF },
    // 1 November 2026, 08:00 UTC: MDT (-6 h) becomes MST (-7 h).
    daysAgo: 20,
    house: () =>
      aHouse({
        seed: 13,
        batteryW: (at, _, soc) => timeOfUse(at - (at < 1_793_520_000 ? 6 : 7) * HOUR, soc),
      }),
  }),
  aCase('inlet just below its cap for ten minutes', {
    hours: 3,
    house: (hour) => aHouse({ batteryW: (at) => (between(hour(at), 1, 1.2) ? 1_750 : 300) }),
  }),
  aCase('heavy and light legs by turns, 240 V loads with a neutral', {
    hours: 24,
    house: () =>
      aHouse({
        seed: 14,
        loadsW: (at) => [
          250 + (Math.floor(at / 900) % 3 === 0 ? 2_200 : 0),
          250 + (Math.floor(at / 1_300) % 2 === 0 ? 1_500 : 0),
        ],
        load240W: (at) => (Math.floor(at / 1_700) % 4 === 0 ? 4_800 : 0),
      }),
  }),
  aCase('a day without battery movement', {
    hours: 48,
    house: () => aHouse({ seed: 15, batteryW: () => 0 }),
  }),
];

function sun(at: number): number {
  const hour = (at / HOUR) % 24;
  return between(hour, 13, 23)
    ? 5_500 * Math.sin((Math.PI * (hour - 13)) / 10) * (0.8 + 0.2 * wander(33, at, 400))
    : 0;
}

function alternating(at: number, n: number, soc: number): number {
  const hour = (at / HOUR) % 24;
  if (n === 0) return dailyCycle(at, 0, soc);
  if (between(hour, 6, 8)) return soc < 95 ? 900 : 0;
  return between(hour, 12, 14) && soc > 35 ? -350 : 0;
}

function timeOfUse(at: number, soc: number): number {
  const hour = (((at / HOUR) % 24) + 24) % 24;
  if (between(hour, 0.25, 5.5)) return soc < 95 ? 900 : 0;
  return between(hour, 16.1, 20.8) && soc > 30 ? -420 : 0;
}

function without(row: Row, names: readonly string[]): Row {
  const { at, ...rest } = row;
  return { at, ...Object.fromEntries(Object.entries(rest).filter(([name]) => !names.includes(name))) };
}
