// A clamp that shows nothing, and no battery on its leg: is the leg empty, or the clamp dead? Voltages from
// Kirchhoff's laws on the two halves of a 120/240 V service.

import type { MeterReading } from '@afterwatt/wire';
import { describe, expect, it } from 'vitest';
import { ctNoSignal } from '../../detectors/ct-no-signal.ts';
import { aMeterReading, aSite, noise, runSeries, seconds } from '../../test-support.ts';

const HOUR_S = 3600;
const DAY_S = 24 * HOUR_S;
const SERVICE_OHM = 0.03;
const NEUTRAL_OHM = 0.02;

interface Home {
  /** Loads of either leg alone, and of one across both, W of each leg, at a second of the series. */
  readonly ownW: (s: number) => readonly [number, number];
  readonly acrossW?: (s: number) => number;
  /** What the grid does to both legs, and a neighbour on the same transformer to L2, V. */
  readonly sourceV?: (s: number) => number;
  readonly neighbourV?: (s: number) => number;
  readonly neutralOhm?: (s: number) => number;
  /** Leg whose clamp is dead: what it shows instead, W. */
  readonly dead?: 1 | 2;
  readonly deadW?: (random: () => number) => number;
}

const within = (s: number, everyS: number, fromS: number, forS: number) =>
  s % everyS >= fromS && s % everyS < fromS + forS;
const kettle = (s: number) => (within(s, 5000, 900, 240) ? 1100 : 0);
const microwave = (s: number) => (within(s, 6100, 2500, 300) ? 1300 : 0);
const waterHeater = (s: number) => (within(s, 4 * HOUR_S, HOUR_S, 1500) ? 1900 : 0);

function readings(home: Home, days = 1): MeterReading[] {
  const random = noise(7);
  return seconds(0, days * DAY_S, 5).map((s) => {
    const acrossW = home.acrossW?.(s) ?? 0;
    const [own1W, own2W] = home.ownW(s);
    const [i1, i2] = [(own1W + acrossW) / 120, (own2W + acrossW) / 120];
    const neutralV = (i1 - i2) * (home.neutralOhm?.(s) ?? NEUTRAL_OHM);
    const sourceV = (home.sourceV?.(s) ?? 121) + 0.05 * random();
    const legW = [own1W + acrossW, own2W + acrossW].map((watts) =>
      watts === 0 ? 0 : watts * (1 + 0.002 * random()) + random(),
    );
    const deadW = home.deadW?.(random) ?? 0;
    return aMeterReading(s, {
      l1V: sourceV - i1 * SERVICE_OHM - neutralV + 0.08 * random(),
      l2V: sourceV - i2 * SERVICE_OHM + neutralV + (home.neighbourV?.(s) ?? 0) + 0.08 * random(),
      l1W: home.dead === 1 ? deadW : (legW[0] ?? 0),
      l2W: home.dead === 2 ? deadW : (legW[1] ?? 0),
    });
  });
}

const told = (home: Home, days = 1) =>
  runSeries(aSite(), ctNoSignal, readings(home, days))
    .filter(({ type }) => type === 'raised')
    .map(({ subject }) => subject);

const L1_W = (s: number) => 300 + microwave(s);

describe('a dead service CT on a leg without a battery', () => {
  it.each<{ why: string; subject: string; home: Home }>([
    {
      why: 'its own loads move the voltages, and 240 V loads half show',
      subject: 'L2',
      home: { ownW: (s) => [L1_W(s), 260 + kettle(s)], acrossW: waterHeater, dead: 2 },
    },
    {
      why: 'its own loads alone',
      subject: 'L2',
      home: { ownW: (s) => [L1_W(s), 260 + kettle(s)], dead: 2 },
    },
    {
      why: '240 V loads alone',
      subject: 'L2',
      home: { ownW: (s) => [L1_W(s), 0], acrossW: (s) => waterHeater(2 * s), dead: 2 },
    },
    {
      why: 'the clamp shows a few watts of noise',
      subject: 'L2',
      home: { ownW: (s) => [L1_W(s), 260 + kettle(s)], dead: 2, deadW: (random) => 1.5 * random() },
    },
    {
      why: 'the same on the other leg',
      subject: 'L1',
      home: { ownW: (s) => [260 + kettle(s), L1_W(s)], acrossW: waterHeater, dead: 1 },
    },
  ])('is named within a day: $why', ({ subject, home }) => {
    expect(told(home)).toEqual([subject]);
  });
});

describe('a leg with nothing on it', () => {
  const ownW = (s: number) => [L1_W(s), 0] as const;
  it.each<{ why: string; home: Home }>([
    { why: 'the loads of L1 lift its voltage', home: { ownW } },
    {
      why: 'the grid steps by 3 V, both legs alike',
      home: { ownW, sourceV: (s) => (within(s, 3000, 0, 700) ? 118 : 121) },
    },
    {
      why: 'the grid steps together with the loads of L1',
      home: { ownW, sourceV: (s) => 121 - microwave(s) / 2000 },
    },
    {
      why: 'a neighbour on the same transformer loads that leg',
      home: { ownW, neighbourV: (s) => -kettle(s) / 1500 },
    },
    {
      why: 'its neutral works loose now and then',
      home: { ownW, neutralOhm: (s) => (within(s, 2400, 600, 500) ? 0.3 : NEUTRAL_OHM) },
    },
  ])('has no dead clamp: $why', ({ home }) => {
    expect(told(home, 3)).toEqual([]);
  });
});
