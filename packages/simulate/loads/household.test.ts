// Households against what households use.

import { zoneClock } from '@afterwatt/tariff';
import { describe, expect, it } from 'vitest';
import { weatherAt } from '../weather.ts';
import { startHousehold } from './household.ts';

const MINUTE_MS = 60_000;
const HOMES = 40;
const DAYS = 4;
const SEASONS = ['2026-01-15', '2026-04-15', '2026-07-15', '2026-10-15'];

interface Use {
  readonly meanW: number;
  readonly peak10MinW: number;
  readonly byHourW: readonly number[];
  readonly legs: readonly [number, number];
}

function use(home: number, date: string): Use {
  const clock = zoneClock('America/Chicago');
  const location = { lat: 28 + (home % 10) * 2, lon: -95 };
  const fromMs = Date.parse(`${date}T06:00:00Z`);
  const seed = `home ${home}`;
  const household = startHousehold(seed, clock, weatherAt(seed, location, clock), fromMs);
  const byHourWh = new Array<number>(24).fill(0);
  const tenMinutes: number[] = [];
  let l1Wh = 0;
  let l2Wh = 0;
  for (let minute = 0; minute < DAYS * 1440; minute += 1) {
    const atMs = fromMs + minute * MINUTE_MS;
    const { l1, l2, l1l2 } = household.loadAt(atMs);
    const legs = [l1, l2, l1l2].map(({ impedanceW, powerW }) => impedanceW + powerW);
    const [l1W = 0, l2W = 0, bothW = 0] = legs;
    l1Wh += (l1W + bothW / 2) / 60;
    l2Wh += (l2W + bothW / 2) / 60;
    const hour = clock.hourOfWeek(atMs) % 24;
    byHourWh[hour] = (byHourWh[hour] ?? 0) + (l1W + l2W + bothW) / 60;
    const slot = Math.floor(minute / 10);
    tenMinutes[slot] = (tenMinutes[slot] ?? 0) + (l1W + l2W + bothW) / 10;
  }
  return {
    meanW: (l1Wh + l2Wh) / (24 * DAYS),
    peak10MinW: Math.max(...tenMinutes),
    byHourW: byHourWh.map((wh) => wh / DAYS),
    legs: [l1Wh, l2Wh],
  };
}

const uses = Array.from({ length: HOMES }, (_, home) => SEASONS.map((date) => use(home, date)));
const all = uses.flat();
const mean = (values: readonly number[]): number => values.reduce((a, b) => a + b, 0) / values.length;
const median = (values: readonly number[]): number =>
  [...values].sort((a, b) => a - b)[values.length >> 1] ?? 0;

describe('households', () => {
  it('use together what residential customers use', () => {
    // US Energy Information Administration, "How much electricity does an American home use?" (FAQ 97, data of
    // 2020): 10,715 kWh a year on average, from 6,446 (Hawaii) to 14,407 (Louisiana).
    const yearlyKwh = mean(all.map(({ meanW }) => meanW)) * 8.766;
    expect(yearlyKwh).toBeGreaterThan(6446);
    expect(yearlyKwh).toBeLessThan(14_407);
    expect(Math.abs(yearlyKwh / 10_715 - 1)).toBeLessThan(0.25);
  });

  it('differ, but none is a factory or a cupboard', () => {
    const yearly = uses.map((seasons) => mean(seasons.map(({ meanW }) => meanW)) * 8.766);
    expect(Math.min(...yearly)).toBeGreaterThan(1000);
    expect(Math.max(...yearly)).toBeLessThan(40_000);
    expect(Math.max(...yearly) / Math.min(...yearly)).toBeGreaterThan(3);
  });

  it('peak at several times their mean', () => {
    // Single homes: 10 min peaks of 3 to 15 kW and load factors of 5 to 30 per cent (from memory).
    const peaksKw = all.map(({ peak10MinW }) => peak10MinW / 1000);
    expect(median(peaksKw)).toBeGreaterThan(3);
    expect(median(peaksKw)).toBeLessThan(12);
    expect(Math.max(...peaksKw)).toBeLessThan(24);
    const loadFactor = median(all.map(({ meanW, peak10MinW }) => meanW / peak10MinW));
    expect(loadFactor).toBeGreaterThan(0.05);
    expect(loadFactor).toBeLessThan(0.3);
  });

  it('use more in the evening than at four in the morning', () => {
    const hour = (of: number): number => mean(all.map(({ byHourW }) => byHourW[of] ?? 0));
    expect(hour(19)).toBeGreaterThan(1.5 * hour(4));
  });

  it('load both legs, but hardly alike, and now and then only one', () => {
    const shares = uses.map(([first]) =>
      first === undefined ? 0.5 : first.legs[0] / (first.legs[0] + first.legs[1]),
    );
    expect(shares.filter((share) => share > 0.25 && share < 0.75).length).toBeGreaterThan(0.7 * HOMES);
    expect(shares.some((share) => Math.abs(share - 0.5) > 0.1)).toBe(true);
    expect(shares.some((share) => share === 0 || share === 1)).toBe(true);
  });
});
