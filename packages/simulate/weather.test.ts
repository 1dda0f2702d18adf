// The sun of the simulated weather against the almanac, and its temperatures against the seasons.

import { zoneClock } from '@afterwatt/tariff';
import { describe, expect, it } from 'vitest';
import { weatherAt } from './weather.ts';

const HOUR_MS = 3_600_000;
const DENVER = { lat: 39.74, lon: -104.99 };
const weather = weatherAt('seed', DENVER, zoneClock('America/Denver'));

function highestSunDeg(date: string): number {
  let highest = -1;
  for (let minute = 0; minute < 1440; minute += 2) {
    highest = Math.max(highest, weather.sunSine(Date.parse(`${date}T07:00:00Z`) + minute * 60_000));
  }
  return (Math.asin(highest) * 180) / Math.PI;
}

function daylightHours(date: string): number {
  let minutes = 0;
  for (let minute = 0; minute < 1440; minute += 2) {
    if (weather.sunSine(Date.parse(`${date}T07:00:00Z`) + minute * 60_000) > 0) minutes += 2;
  }
  return minutes / 60;
}

describe('weather', () => {
  // Noon elevation at the solstices: 90 deg - latitude +- 23.44 deg, the obliquity of the ecliptic (any almanac).
  it.each([
    ['2026-06-21', 90 - DENVER.lat + 23.44],
    ['2026-12-21', 90 - DENVER.lat - 23.44],
    ['2026-03-20', 90 - DENVER.lat],
  ])('puts the noon sun of %s at %f degrees', (date, expectedDeg) => {
    expect(Math.abs(highestSunDeg(date) - expectedDeg)).toBeLessThan(1);
  });

  it('has twelve hours of daylight at the equinox and about fifteen at midsummer', () => {
    expect(Math.abs(daylightHours('2026-03-20') - 12)).toBeLessThan(0.3);
    // Denver, 21 June: 14 h 59 min from sunrise to sunset, about 10 min of them by refraction (from memory).
    expect(Math.abs(daylightHours('2026-06-21') - 14.8)).toBeLessThan(0.3);
  });

  it('is warmer in July than in January, and by day than by night', () => {
    const meanC = (date: string, hourUtc: number) => {
      let sum = 0;
      for (let day = 0; day < 28; day += 1) {
        sum += weather.outsideC(Date.parse(`${date}T00:00:00Z`) + (24 * day + hourUtc) * HOUR_MS);
      }
      return sum / 28;
    };
    expect(meanC('2026-07-02', 21)).toBeGreaterThan(meanC('2026-01-02', 21) + 15);
    expect(meanC('2026-07-02', 21)).toBeGreaterThan(meanC('2026-07-02', 11) + 8);
  });

  it('gives no sunshine at night and never more than the sun', () => {
    for (let hour = 0; hour < 72; hour += 0.5) {
      const atMs = Date.parse('2026-05-01T00:00:00Z') + hour * HOUR_MS;
      const shine = weather.sunshinePu(atMs);
      expect(shine).toBeGreaterThanOrEqual(0);
      expect(shine).toBeLessThanOrEqual(Math.max(0, weather.sunSine(atMs)));
    }
  });
});
