// The weather at a home as a function of time: what its air conditioning, its lights and its solar panels see.
// Round figures for the climate (from memory): they have to be plausible, not a forecast.

import type { ZoneClock } from '@afterwatt/tariff';
import { randomStream } from './random.ts';
import { dayValues } from './smooth-noise.ts';

const DAY_MS = 86_400_000;
const HOUR_MS = 3_600_000;
const DEFAULT_LAT_DEG = 39;
const CLOUD_KNOTS_A_DAY = 96;
/** Between knots 5 min apart a straight line is within 0.001 Cel and 0.0002 of the sun's strength, but at its rise. */
const KNOTS_A_DAY = 288;

export interface Weather {
  outsideC(atMs: number): number;
  /** Irradiance as a share of 1000 W/m2, clouds included, 0 to 1. */
  sunshinePu(atMs: number): number;
  /** Sine of the sun's elevation; negative at night. */
  sunSine(atMs: number): number;
}

/** @param location degrees; where it is not known, mid-latitude in the middle of the time zone */
export function weatherAt(
  seed: string,
  location: { readonly lat: number; readonly lon: number } | null,
  clock: ZoneClock,
): Weather {
  const lat = location?.lat ?? DEFAULT_LAT_DEG;
  const lonOffsetMs = location === null ? clock.wallMs(0) : (location.lon / 360) * DAY_MS;
  const yearlyMeanC = 30 - 0.45 * lat;
  const seasonalC = 0.33 * Math.abs(lat);
  const dailyC = 5 + 2.5 * randomStream(seed, 'weather').uniform();
  const anomalyC = dayValues(1, (day) => [3.5 * randomStream(seed, 'anomaly', day).normal()]);
  const clouds = dayValues(CLOUD_KNOTS_A_DAY, (day) => cloudsOfDay(seed, day));

  /** Time since the sun's midnight, and the day of the year as an angle from the December solstice. */
  const solarHours = (atMs: number): number =>
    ((((atMs + lonOffsetMs) % DAY_MS) + DAY_MS) % DAY_MS) / HOUR_MS;
  const yearAngle = (atMs: number): number => ((atMs / DAY_MS + 10) / 365.2425) * 2 * Math.PI;

  function sunSine(atMs: number): number {
    const declination = -0.409 * Math.cos(yearAngle(atMs));
    const latitude = (lat * Math.PI) / 180;
    const hourAngle = ((solarHours(atMs) - 12) * Math.PI) / 12;
    return (
      Math.sin(latitude) * Math.sin(declination) +
      Math.cos(latitude) * Math.cos(declination) * Math.cos(hourAngle)
    );
  }

  const temperatureC = (atMs: number): number =>
    yearlyMeanC -
    Math.sign(lat) * seasonalC * Math.cos(yearAngle(atMs) - 0.45) +
    dailyC * Math.cos(((solarHours(atMs) - 15) * Math.PI) / 12) +
    anomalyC(atMs + lonOffsetMs);
  const clearSkyPu = dayValues(KNOTS_A_DAY, (day) =>
    knotsOf((atMs) => Math.max(0, sunSine(atMs)) ** 1.15, day),
  );

  return {
    sunSine,
    outsideC: dayValues(KNOTS_A_DAY, (day) => knotsOf(temperatureC, day)),
    sunshinePu(atMs) {
      const clearPu = clearSkyPu(atMs);
      return clearPu === 0 ? 0 : clearPu * (1 - clouds(atMs + lonOffsetMs));
    },
  };
}

function knotsOf(valueAt: (atMs: number) => number, day: number): number[] {
  return Array.from({ length: KNOTS_A_DAY }, (_, knot) => valueAt((day + knot / KNOTS_A_DAY) * DAY_MS));
}

/** Share of the sun that clouds take, through one day. */
function cloudsOfDay(seed: string, day: number): number[] {
  const random = randomStream(seed, 'clouds', day);
  const cover = random.uniform() ** 2 * 0.8;
  return Array.from({ length: CLOUD_KNOTS_A_DAY }, () =>
    Math.min(0.92, Math.max(0.02, cover + cover * 0.6 * random.normal())),
  );
}
