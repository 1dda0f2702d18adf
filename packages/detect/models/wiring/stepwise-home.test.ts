// Wiring faults at homes whose physics stand here, apart from the product and its simulator: constant and stepwise
// loads, a service with resistance (Kirchhoff's laws on the two halves of a 120/240 V service), solar at noon,
// batteries that do what they are told, meters and batteries that report at any period, clocks that differ. Each fault
// must be told as what it is, and nothing else.

import { describe, expect, it } from 'vitest';
import { CATALOG } from '../../catalog.ts';
import { startEngine } from '../../engine.ts';
import type { SiteEvent } from '../../event.ts';
import { aBatteryReading, aMeterReading, aSite, noise, seconds } from '../../test-support.ts';
import { uniform } from './test-house.ts';

const HOUR_S = 3600;
const SERVICE_OHM = 0.04;
const NEUTRAL_OHM = 0.04;
const STANDBY_W = 4;
/** All that a wrong clamp might be taken for. */
const WATCHED = CATALOG.filter(
  ({ kind }) =>
    kind.includes('ct-') ||
    ['open-neutral', 'inlet-over-cap', 'inlet-continuous-load', 'backfeed-in-outage'].includes(kind),
);

type Legs = readonly [number, number];
interface Clamp {
  readonly on: 0 | 1;
  /** 1: right; -1: arrow turned; 0: no signal; 2: other ratio. */
  readonly gain: number;
}
type Clamps = readonly [Clamp, Clamp];

interface Home {
  readonly hours: number;
  readonly meterS?: number;
  readonly batteryS?: number;
  /** How far the batteries' clocks are ahead, s. */
  readonly aheadS?: number;
  /** The leg of each inlet; one battery on each. */
  readonly inletLegs?: readonly ('L1' | 'L2')[];
  readonly batteryW?: (s: number, battery: number) => number;
  readonly loadsW?: (s: number) => Legs;
  readonly sunW?: (s: number) => number;
  readonly generationTold?: boolean;
  readonly service?: (s: number) => Clamps;
  readonly inlets?: (s: number) => Clamps;
  /** Does the meter tell the legs' voltages? Default true. */
  readonly voltages?: boolean;
  /** The units stand across both legs. */
  readonly acrossBoth?: boolean;
}

const IN_PLACE: Clamps = [
  { on: 0, gain: 1 },
  { on: 1, gain: 1 },
];
const always = (clamps: Clamps) => () => clamps;
const withGain =
  (channel: 0 | 1, gain: number, fromS = 0) =>
  (s: number): Clamps => {
    const gainOf = (on: 0 | 1) => (on === channel && s >= fromS ? gain : 1);
    return [
      { on: 0, gain: gainOf(0) },
      { on: 1, gain: gainOf(1) },
    ];
  };
const exchanged = (first: number, second: number) =>
  always([
    { on: 1, gain: first },
    { on: 0, gain: second },
  ]);

/** 900 W in at 13:00, 700 W out at 17:00. */
const daily = (s: number) => {
  const hour = (s / HOUR_S) % 24;
  if (hour >= 1 && hour < 3) return 900;
  return hour >= 5 && hour < 8 ? -700 : STANDBY_W;
};
const idleFirst = (s: number) => (s < 24 * HOUR_S ? STANDBY_W : daily(s));
const byHand = (s: number) => (s < 600 || Math.floor(s / 30) % 2 === 0 ? STANDBY_W : 900);
const noonSun = (s: number) => {
  const hour = (s / HOUR_S + 12) % 24;
  return hour > 7 && hour < 19 ? 2500 * Math.sin(((hour - 7) / 12) * Math.PI) : 0;
};

/** Appliances that are on or off: of either leg, and two across both. */
const APPLIANCES: readonly { readonly legsW: Legs; readonly onS: number; readonly offS: number }[] = [
  { legsW: [110, 0], onS: 1300, offS: 2600 },
  { legsW: [0, 140], onS: 1100, offS: 1900 },
  { legsW: [1200, 0], onS: 240, offS: 9100 },
  { legsW: [0, 1050], onS: 300, offS: 7700 },
  { legsW: [650, 0], onS: 700, offS: 6100 },
  { legsW: [0, 1500], onS: 500, offS: 15_300 },
  { legsW: [2200, 2200], onS: 900, offS: 17_900 },
  { legsW: [1450, 1450], onS: 700, offS: 5300 },
];
const switching = (s: number): Legs => {
  let [l1W, l2W] = [180, 240];
  APPLIANCES.forEach(({ legsW, onS, offS }, i) => {
    if ((s + 977 * i) % (onS + offS) < offS) return;
    l1W += legsW[0];
    l2W += legsW[1];
  });
  return [l1W, l2W];
};
const constant = (): [number, number] => [180, 240];

function readingsOf(home: Home): { site: ReturnType<typeof aSite>; events: SiteEvent[] } {
  const { hours, meterS = 5, batteryS = 10, aheadS = 0, inletLegs = ['L1'], acrossBoth = false } = home;
  const {
    batteryW = daily,
    loadsW = switching,
    service = always(IN_PLACE),
    inlets = always(IN_PLACE),
  } = home;
  const site = aSite({
    service: { otherGeneration: home.generationTold ?? false },
    meter: { device: 'meter-1', periodSeconds: meterS },
    inlets: inletLegs.map((leg, i) => ({ number: i === 0 ? 1 : 2, leg })),
    batteries: inletLegs.map((_, i) => ({
      device: `battery-${i + 1}`,
      inlet: i === 0 ? 1 : 2,
      periodSeconds: batteryS,
    })),
  });
  const error = noise(11);
  const phase = uniform(5);
  const read = (watts: number) => Math.round(watts === 0 ? 0 : watts * (1 + 0.002 * error()) + 0.7 * error());
  const tenth = (value: number) => Math.round(10 * value) / 10;
  const toS = hours * HOUR_S;

  const meter = seconds(phase() * meterS, toS, meterS).map((s) => {
    const units = inletLegs.map((_, i) => batteryW(s, i));
    const sunW = (home.sunW?.(s) ?? 0) / 2;
    const [l1LoadW, l2LoadW] = loadsW(s);
    const unitsOn = (leg: 'L1' | 'L2') =>
      units.reduce((sum, watts, i) => sum + (acrossBoth ? watts / 2 : inletLegs[i] === leg ? watts : 0), 0);
    const legW: Legs = [l1LoadW + unitsOn('L1') - sunW, l2LoadW + unitsOn('L2') - sunW];
    const [i1, i2] = [legW[0] / 120, legW[1] / 120];
    const sourceV = 120.5 + 0.8 * Math.sin(s / 7000);
    const neutralV = (i1 - i2) * NEUTRAL_OHM;
    // The other leg's current against this leg's voltage has its sign turned.
    const service_ = service(s).map(({ on, gain }, channel) => gain * (on === channel ? 1 : -1) * legW[on]);
    const sign = (on: number, channel: number) => (on === channel || inletLegs[0] === inletLegs[1] ? 1 : -1);
    const inletsW = inlets(s).map(
      ({ on, gain }, channel) => gain * sign(on, channel) * (acrossBoth ? 0.5 : 1) * (units[on] ?? 0),
    );
    const l1V = tenth(sourceV - i1 * SERVICE_OHM - neutralV + 0.04 * error());
    const l2V = tenth(sourceV - i2 * SERVICE_OHM + neutralV + 0.04 * error());
    return aMeterReading(s, {
      l1V: home.voltages === false ? null : l1V,
      l2V: home.voltages === false ? null : l2V,
      l1W: read(service_[0] ?? 0),
      l2W: read(service_[1] ?? 0),
      inlet1W: read(inletsW[0] ?? 0),
      inlet2W: inletLegs.length === 2 ? read(inletsW[1] ?? 0) : null,
    });
  });
  const batteries = inletLegs.flatMap((_, i) =>
    seconds(phase() * batteryS, toS, batteryS).map((s) =>
      aBatteryReading(s + aheadS, { acW: read(batteryW(s, i)) }, `battery-${i + 1}`),
    ),
  );
  return { site, events: [...meter, ...batteries].sort((a, b) => a.at - b.at) };
}

function told(home: Home): string[] {
  const { site, events } = readingsOf(home);
  const engine = startEngine(site, undefined, WATCHED);
  const raised = events.flatMap((event) => engine.step(event)).filter(({ type }) => type === 'raised');
  return raised.map(({ kind, subject }) => `${kind} ${subject}`).sort();
}

const L1_TURNED = withGain(0, -1);
const L2_TURNED = withGain(1, -1);

describe('a right installation is told nothing of', () => {
  it.each<{ why: string; home: Home }>([
    { why: 'meter at 10 s', home: { hours: 26, meterS: 10 } },
    { why: 'meter at 60 s, battery a minute apart', home: { hours: 26, meterS: 60, batteryS: 60 } },
    { why: 'the battery 30 s ahead', home: { hours: 26, meterS: 10, aheadS: 30 } },
    {
      why: 'solar that exports at noon',
      home: { hours: 26, meterS: 15, sunW: noonSun, generationTold: true },
    },
    { why: 'solar that nobody registered', home: { hours: 26, meterS: 15, sunW: noonSun } },
    { why: 'two batteries on two legs', home: { hours: 26, meterS: 15, inletLegs: ['L1', 'L2'] } },
    {
      why: 'nothing on L2 at all',
      home: { hours: 50, meterS: 30, loadsW: (s) => [switching(s)[0], 0] },
    },
    ...[true, false].map((generationTold) => ({
      why: `batteries that take up what the sun gives, to the last watt; panels registered: ${generationTold}`,
      home: {
        hours: 50,
        meterS: 20,
        inletLegs: ['L1', 'L2'] as const,
        loadsW: constant,
        generationTold,
        sunW: noonSun,
        batteryW: (s: number, i: number) => Math.max(STANDBY_W, noonSun(s) / 2 - constant()[i === 0 ? 0 : 1]),
      },
    })),
  ])('$why', ({ home }) => {
    expect(told(home)).toEqual([]);
  });
});

describe('a wrong clamp is told as what it is, and nothing else is', () => {
  it.each<{ fault: string; home: Home; is: readonly string[] }>([
    {
      fault: 'L1 turned, meter at 1 s',
      home: { hours: 2, meterS: 1, service: L1_TURNED },
      is: ['service-ct-reversed L1'],
    },
    {
      fault: 'L1 turned, meter at 5 s',
      home: { hours: 4, service: L1_TURNED },
      is: ['service-ct-reversed L1'],
    },
    {
      fault: 'L1 turned, meter at 60 s',
      home: { hours: 24, meterS: 60, service: L1_TURNED },
      is: ['service-ct-reversed L1'],
    },
    {
      fault: 'L1 turned, the battery 30 s ahead',
      home: { hours: 8, aheadS: 30, service: L1_TURNED },
      is: ['service-ct-reversed L1'],
    },
    {
      fault: 'L1 turned, a day of rest first, constant loads',
      home: { hours: 32, meterS: 15, service: L1_TURNED, batteryW: idleFirst, loadsW: constant },
      is: ['service-ct-reversed L1'],
    },
    {
      fault: 'L1 turned, tried by hand',
      home: { hours: 0.25, service: L1_TURNED, batteryW: byHand },
      is: ['service-ct-reversed L1'],
    },
    {
      fault: 'L2 turned at a home that exports at noon',
      home: { hours: 14, meterS: 10, service: L2_TURNED, sunW: noonSun, generationTold: true },
      is: ['service-ct-reversed L2'],
    },
    {
      fault: 'L2 turned, with panels that nobody registered',
      home: { hours: 14, meterS: 10, service: L2_TURNED, sunW: noonSun },
      is: ['service-ct-reversed L2'],
    },
    {
      fault: 'L2 turned, where the battery is',
      home: { hours: 4, service: L2_TURNED, inletLegs: ['L2'], sunW: noonSun, generationTold: true },
      is: ['service-ct-reversed L2'],
    },
    {
      fault: 'both turned',
      home: {
        hours: 6,
        meterS: 10,
        service: always([
          { on: 0, gain: -1 },
          { on: 1, gain: -1 },
        ]),
      },
      is: ['service-ct-reversed L1', 'service-ct-reversed L2'],
    },
    // One step alone might have met a 240 V load of its size: told by the end of the charge.
    { fault: 'exchanged', home: { hours: 4, service: exchanged(1, 1) }, is: ['service-ct-swapped service'] },
    {
      fault: 'exchanged, the battery 30 s ahead',
      home: { hours: 8, service: exchanged(1, 1), aheadS: 30 },
      is: ['service-ct-swapped service'],
    },
    {
      fault: 'exchanged and L1 turned',
      home: { hours: 6, meterS: 10, service: exchanged(-1, 1) },
      is: ['service-ct-reversed L1', 'service-ct-swapped service'],
    },
    {
      fault: 'exchanged and both turned: every sum comes out right',
      home: { hours: 4, meterS: 10, service: exchanged(-1, -1) },
      is: ['service-ct-swapped service'],
    },
    { fault: 'L1 of twice the ratio', home: { hours: 8, service: withGain(0, 2) }, is: ['ct-ratio L1'] },
    {
      fault: 'L1 closed by half, with constant loads',
      home: { hours: 26, meterS: 15, service: withGain(0, 0.5), loadsW: constant },
      is: ['ct-ratio L1'],
    },
    {
      fault: 'L2 of twice the ratio, the battery on L1',
      home: { hours: 12, meterS: 10, service: withGain(1, 2) },
      is: ['ct-ratio L2'],
    },
    {
      fault: 'L1 unplugged from the start',
      home: { hours: 5, service: withGain(0, 0) },
      is: ['ct-no-signal L1'],
    },
    {
      fault: 'L1 unplugged later',
      home: { hours: 54, meterS: 30, service: withGain(0, 0, 30 * HOUR_S) },
      is: ['ct-no-signal L1'],
    },
    {
      fault: 'L2 unplugged after ten hours, with a meter that tells no voltages',
      home: { hours: 30, meterS: 30, service: withGain(1, 0, 10 * HOUR_S), voltages: false },
      is: ['ct-no-signal L2'],
    },
    {
      fault: 'L2 unplugged from the start, the battery on L1',
      home: { hours: 30, meterS: 10, service: withGain(1, 0) },
      is: ['ct-no-signal L2'],
    },
    {
      fault: 'L2 unplugged, where all that runs is, and the battery',
      home: {
        hours: 6,
        service: withGain(1, 0),
        inletLegs: ['L2'],
        loadsW: (s) => [0, switching(s)[1]],
      },
      is: ['ct-no-signal L2'],
    },
    {
      fault: 'inlet 1 turned, meter at 60 s',
      home: { hours: 2, meterS: 60, inlets: withGain(0, -1) },
      is: ['inlet-ct-reversed inlet 1'],
    },
    {
      fault: 'inlet 1 turned, the battery 30 s behind',
      home: { hours: 2, inlets: withGain(0, -1), aheadS: -30 },
      is: ['inlet-ct-reversed inlet 1'],
    },
    {
      fault: 'inlet 2 turned, batteries on two legs',
      home: { hours: 2, inlets: withGain(1, -1), inletLegs: ['L1', 'L2'] },
      is: ['inlet-ct-reversed inlet 2'],
    },
    {
      fault: 'inlets exchanged, batteries on two legs',
      home: {
        hours: 3,
        inlets: exchanged(1, 1),
        inletLegs: ['L1', 'L2'],
        batteryW: (s, i) => daily(s - i * HOUR_S) - (i === 0 ? 0 : 100),
      },
      is: ['inlet-ct-swapped inlets'],
    },
    {
      fault: 'inlet 1 closed by half',
      home: { hours: 2, inlets: withGain(0, 0.5) },
      is: ['ct-ratio inlet 1'],
    },
    { fault: 'inlet 1 unplugged', home: { hours: 2, inlets: withGain(0, 0) }, is: ['ct-no-signal inlet 1'] },
    {
      fault:
        'none, but a unit across both legs behind a clamp on one of its conductors: the service is not blamed',
      home: { hours: 8, acrossBoth: true },
      is: ['ct-ratio inlet 1'],
    },
  ])('$fault', ({ home, is }) => {
    expect(told(home)).toEqual(is);
  });
});
