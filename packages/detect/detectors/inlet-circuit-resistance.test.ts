// The loop's resistance is measured from readings and held against NEC chapter 9 table 8; what is beyond it and
// makes more than 15 W at the cap is told. Voltages come from Kirchhoff's laws (models/test-service.ts).

import { copperOhmPerKft, loopResistanceOhm, voltageDropV } from '@afterwatt/electrical';
import type { Reading } from '@afterwatt/wire';
import { describe, expect, it } from 'vitest';
import { startEngine, type Transition } from '../engine.ts';
import { type ServiceOptions, serviceSeries } from '../models/test-service.ts';
import { aSite, START_MS } from '../test-support.ts';
import { inletCircuitResistance } from './inlet-circuit-resistance.ts';

const HOUR_S = 3600;
const DAY_S = 24 * HOUR_S;
/** 40 ft of 12 AWG, the default: 0.158 ohm out and back at 75 Cel (NEC chapter 9 table 8, stranded: 1.98 ohm/kft). */
const COPPER_OHM = loopResistanceOhm(copperOhmPerKft(12, 'stranded'), 40);
/** 15 W at 15 A. */
const LIMIT_OHM = 15 / 15 ** 2;
/** Two hours of charging and four of feeding a day. */
const daily = (s: number) => {
  const hour = (s / HOUR_S) % 24;
  return hour > 2 && hour < 4 ? 12.2 : hour > 8 && hour < 12 ? -6 : 0.05;
};

function run(options: Partial<ServiceOptions> & { toS: number }, input = {}): Transition[] {
  const site = aSite(input);
  const engine = startEngine(site, undefined, [inletCircuitResistance]);
  const transitions: Transition[] = [];
  const series = { site, seed: 4, batteryA: daily, voltGains: [1.01, 0.995, 0.99] as const };
  for (const reading of serviceSeries({ ...series, ...options })) transitions.push(...engine.step(reading));
  return transitions;
}

it('the copper of 100 ft of 12 AWG loses 5.94 V at 15 A (handbook formula 2 L R I / 1000)', () => {
  expect(voltageDropV(15, 100, copperOhmPerKft(12, 'stranded'))).toBeCloseTo(5.94, 2);
  expect(COPPER_OHM).toBeCloseTo(0.1584, 4);
});

describe('a bad contact in the circuit', () => {
  it.each([1.4, 2, 8])(
    'of %s times 15 W is told within a day, whatever the offset of the voltmeters',
    (times) => {
      const [first] = run({ toS: 1.5 * DAY_S, circuitOhm: () => COPPER_OHM + times * LIMIT_OHM });
      expect(first).toMatchObject({ type: 'raised', subject: 'inlet 1' });
      expect(first?.type === 'raised' && Number(first.finding.facts['watts'])).toBeCloseTo(15 * times, -1);
    },
  );

  it('is told of a battery that sends power and voltage but no current', () => {
    const site = aSite();
    const engine = startEngine(site, undefined, [inletCircuitResistance]);
    const series = serviceSeries({
      site,
      seed: 4,
      toS: 1.5 * DAY_S,
      batteryA: daily,
      circuitOhm: () => COPPER_OHM + 2 * LIMIT_OHM,
    });
    const told = [...series].flatMap((reading) => [
      ...engine.step(reading.kind === 'battery' ? { ...reading, acA: null } : { ...reading, inlet1A: null }),
    ]);
    expect(told[0]).toMatchObject({ type: 'raised', subject: 'inlet 1' });
  });

  it('that comes on a sound circuit is told on its first charge', () => {
    const bad = (s: number) => 0.85 * COPPER_OHM + (s > 5 * DAY_S ? 2 * LIMIT_OHM : 0);
    const [first] = run({ toS: 6 * DAY_S, circuitOhm: bad });
    expect((first?.detectedMs ?? 0) - START_MS).toBeGreaterThan(5 * DAY_S * 1000);
    expect((first?.detectedMs ?? 0) - START_MS).toBeLessThan((5 * DAY_S + 4 * HOUR_S) * 1000);
  });

  it('on a long cold run is seen against its own history: the table at 75 Cel would hide it', () => {
    const long = { inlets: [{ conductorAwg: 14, oneWayFeet: 100 }] };
    const coldOhm = 0.83 * loopResistanceOhm(copperOhmPerKft(14, 'stranded'), 100);
    const bad = (s: number) => coldOhm + (s > 5 * DAY_S ? 0.11 : 0);
    expect(run({ toS: 5 * DAY_S, circuitOhm: () => coldOhm }, long)).toEqual([]);
    expect(run({ toS: 6.5 * DAY_S, circuitOhm: bad }, long)).not.toEqual([]);
  });

  it('clears once it is mended', () => {
    const mended = (s: number) => COPPER_OHM + (s < 2 * DAY_S ? 0.2 : 0);
    const types = run({ toS: 4 * DAY_S, circuitOhm: mended }).map(({ type }) => type);
    expect(types.filter((type) => type !== 'updated')).toEqual(['raised', 'cleared']);
  });
});

describe('what looks like it and is not', () => {
  it.each<[string, Partial<ServiceOptions>]>([
    ['sound copper', { circuitOhm: () => 0.85 * COPPER_OHM + 0.01 }],
    ['copper at 75 Cel with the contacts of a plug', { circuitOhm: () => COPPER_OHM + 0.02 }],
    ['0.8 of the limit', { circuitOhm: () => COPPER_OHM + 0.8 * LIMIT_OHM }],
    [
      'voltmeters 2 % apart on a source that swings',
      {
        voltGains: [0.99, 1, 1.01] as const,
        circuitOhm: () => COPPER_OHM,
        sourceV: (s) => 120 + 4 * Math.sin((2 * Math.PI * (s - 3 * HOUR_S)) / DAY_S + Math.PI / 2),
      },
    ],
    ['a weak service', { serviceOhm: 0.12, neutralOhm: () => 0.12, circuitOhm: () => COPPER_OHM }],
    ['noise of 0.3 V and lost readings', { voltNoiseV: 0.3, lost: 0.02, circuitOhm: () => COPPER_OHM }],
    [
      'a battery that hardly works: no spread of current',
      { batteryA: (s) => (s % 600 < 300 ? 1.5 : 0), circuitOhm: () => 1 },
    ],
  ])('%s', (_, options) => {
    expect(run({ toS: 4 * DAY_S, ...options })).toEqual([]);
  });
});

describe('voltmeters that show whole volts', () => {
  /** 6 A through sound copper lose less than one of their steps. */
  const gentle = (s: number) => {
    const hour = (s / HOUR_S) % 24;
    return hour > 2 && hour < 6 ? 6 : hour > 8 && hour < 12 ? -2.2 : 0.05;
  };
  const whole = (volts: number | null) => (volts === null ? null : Math.round(volts));

  function told(seed: number, circuitOhm: number, batteryA: (s: number) => number): Transition[] {
    const site = aSite();
    const engine = startEngine(site, undefined, [inletCircuitResistance]);
    const series = { site, seed, batteryA, circuitOhm: () => circuitOhm, toS: 4 * DAY_S, meterPeriodS: 20 };
    return [...serviceSeries(series)].flatMap((reading) => [
      ...engine.step(
        reading.kind === 'battery'
          ? { ...reading, acV: whole(reading.acV) }
          : { ...reading, l1V: whole(reading.l1V), l2V: whole(reading.l2V) },
      ),
    ]);
  }

  it.each([1, 2, 3, 4, 5, 6])('show no bad contact where there is none (home %i)', (seed) => {
    expect(told(seed, COPPER_OHM, gentle)).toEqual([]);
  });

  it('show one that loses several of their steps', () => {
    expect(told(1, COPPER_OHM + 0.4, daily)[0]).toMatchObject({ type: 'raised', subject: 'inlet 1' });
  });
});

describe('a voltmeter that hangs shows no circuit', () => {
  function toldWhen(hang: (reading: Reading) => Reading, chargingV: number): Transition[] {
    const site = aSite();
    const engine = startEngine(site, undefined, [inletCircuitResistance]);
    const sourceV = (s: number) => 121 + chargingV * Math.cos((2 * Math.PI * (s - 3 * HOUR_S)) / DAY_S);
    const series = { site, seed: 4, batteryA: daily, sourceV, circuitOhm: () => COPPER_OHM, toS: 2 * DAY_S };
    return [...serviceSeries(series)].flatMap((reading) => [...engine.step(hang(reading))]);
  }

  it('of the leg, on a source that sags while the battery charges', () => {
    const hang = (reading: Reading) => (reading.kind === 'meter' ? { ...reading, l1V: 120.4 } : reading);
    expect(toldWhen(hang, -2.5)).toEqual([]);
  });

  it('of the port, on a source that rises while the battery charges', () => {
    const hang = (reading: Reading) => (reading.kind === 'battery' ? { ...reading, acV: 120 } : reading);
    expect(toldWhen(hang, 4)).toEqual([]);
  });
});
