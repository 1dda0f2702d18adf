// A battery that holds less than registered, loses too much, or is hotter than it should be is told from one
// that is aged a little, works at low power, corrects its gauge, or has a warm week.

import { describe, expect, it } from 'vitest';
import type { SiteEvent } from '../event.ts';
import { aBatteryReading, aSite, clears, raises, runSeries, START_MS, seconds } from '../test-support.ts';
import { batteryEnergyMismatch } from './battery-energy-mismatch.ts';
import { batteryHot } from './battery-hot.ts';

const HOUR_S = 3600;
const DAY_S = 24 * HOUR_S;
const site = aSite();

interface Pack {
  readonly capacityWh?: number;
  readonly chargeEfficiency?: number;
  readonly dischargeEfficiency?: number;
  readonly chargeW?: number;
  readonly feedW?: number;
  /** Draw of the electronics from the cells, W. */
  readonly idleW?: number;
}

/**
 * Days of charging to full and feeding down to 20 %, a reading a minute, the gauge in whole per cents:
 * d soc = (eta_c P_in - P_out / eta_d - P_idle) dt / C (the usual energy count).
 */
function cycles(days: number, pack: Pack = {}): { s: number; socPct: number; acW: number }[] {
  const {
    capacityWh = 3000,
    chargeEfficiency = 0.93,
    dischargeEfficiency = 0.93,
    chargeW = 1000,
    feedW = 600,
    idleW = 10,
  } = pack;
  let socPct = 60;
  let charging = true;
  return seconds(0, days * DAY_S, 60).map((s) => {
    if (socPct >= 100) charging = false;
    if (socPct <= 20) charging = true;
    const acW = charging ? chargeW : -feedW;
    const cellsW = charging ? acW * chargeEfficiency - idleW : acW / dischargeEfficiency - idleW;
    socPct += (100 * cellsW) / 60 / capacityWh;
    return { s, socPct: Math.round(socPct), acW };
  });
}

const mismatch = (events: readonly SiteEvent[]) => runSeries(site, batteryEnergyMismatch, events);
const asReadings = (series: ReturnType<typeof cycles>) =>
  series.map(({ s, socPct, acW }) => aBatteryReading(s, { socPct, acW, periodS: 60 }));

describe('energy against the gauge', () => {
  it.each([
    { pack: { capacityWh: 2280 }, why: '76 % of the registered capacity' },
    { pack: { capacityWh: 3600 }, why: '120 % of it' },
    { pack: { chargeEfficiency: 0.82, dischargeEfficiency: 0.82 }, why: '67 % there and back' },
  ])('is told within two days: $why', ({ pack }) => {
    expect(raises(mismatch(asReadings(cycles(2, pack))))).toHaveLength(1);
  });

  it.each([
    { pack: {}, why: 'as registered' },
    { pack: { capacityWh: 2520 }, why: '84 % of the registered capacity' },
    { pack: { capacityWh: 3330 }, why: '111 % of it' },
    { pack: { chargeEfficiency: 0.87, dischargeEfficiency: 0.87 }, why: '76 % there and back' },
    { pack: { feedW: 160, idleW: 20 }, why: 'at low power, where its own draw counts' },
  ])('is not told: $why', ({ pack }) => {
    expect(mismatch(asReadings(cycles(6, pack)))).toEqual([]);
  });

  it('says how much it holds', () => {
    const [raised] = mismatch(asReadings(cycles(2, { capacityWh: 2100 })));
    if (raised?.type !== 'raised') throw new Error('nothing was raised');
    expect(Math.abs(Number(raised.finding.facts['usableWh']) - 2100)).toBeLessThan(0.04 * 2100);
  });

  it('is told of a unit that rests for most of the day between its charge and its feeding', () => {
    // 2100 Wh from 20 to 100 % at 1000 W in the morning, back at 600 W in the evening.
    const chargeH = (0.8 * 2100) / 0.93 / 1000;
    const feedH = (0.8 * 2100 * 0.93) / 600;
    const days = seconds(0, 3 * DAY_S, 60).map((s) => {
      const hour = (s % DAY_S) / HOUR_S;
      const charging = hour < chargeH;
      const feeding = hour >= 17 && hour < 17 + feedH;
      const fed = Math.min(1, Math.max(0, (hour - 17) / feedH));
      const socPct = Math.round(20 + 80 * (Math.min(1, hour / chargeH) - fed));
      return { s, socPct, acW: charging ? 1000 : feeding ? -600 : 6 };
    });
    expect(raises(mismatch(asReadings(days)))).toHaveLength(1);
  });

  it('is not told of a unit that lives on its cells while it rests, which nobody meters', () => {
    const living = cycles(6, { idleW: 0 }).map(({ s, socPct }) => ({ s, socPct, acW: 8 }));
    expect(mismatch(asReadings(living))).toEqual([]);
  });

  it('is not told from a gauge that corrects itself by a jump', () => {
    const jumping = cycles(6).map((point) => ({
      ...point,
      // Every other half day it reads 25 points more.
      socPct: Math.floor(point.s / (DAY_S / 2)) % 2 === 0 ? point.socPct : Math.min(100, point.socPct + 25),
    }));
    expect(mismatch(asReadings(jumping))).toEqual([]);
  });

  it('is not told from readings with an hour missing in every cycle', () => {
    const holes = cycles(6).filter(({ s }) => s % (4 * HOUR_S) > HOUR_S);
    expect(mismatch(asReadings(holes))).toEqual([]);
  });

  it('clears once it fits again', () => {
    const aged = cycles(2, { capacityWh: 2100 });
    const replaced = cycles(4).map((point) => ({ ...point, s: point.s + 2 * DAY_S }));
    expect(clears(mismatch(asReadings([...aged, ...replaced])))).toHaveLength(1);
  });
});

const hot = (events: readonly SiteEvent[]) => runSeries(site, batteryHot, events);
const thermometer = (
  days: number,
  tempC: (s: number) => number,
  acW: (s: number) => number = () => 0,
  step = 60,
) => seconds(0, days * DAY_S, step).map((s) => aBatteryReading(s, { tempC: tempC(s), acW: acW(s) }));

describe('a battery above 55 Cel', () => {
  const after = (s: number, tempC: number) => (at: number) => (at >= s && at < s + 1800 ? tempC : 40);
  it.each([
    { tempC: 55.1, raised: 1 },
    { tempC: 55, raised: 0 },
  ])('at $tempC Cel', ({ tempC, raised }) => {
    expect(raises(hot(thermometer(0.1, after(3600, tempC), undefined, 10)))).toHaveLength(raised);
  });

  it('is raised after 2 min, not by a disturbed reading', () => {
    expect(raises(hot(thermometer(0.1, after(3600, 60), undefined, 10)))).toEqual(['battery-1 3720']);
    const disturbed = thermometer(0.1, (s) => (s % 600 === 0 ? 90 : 40), undefined, 10);
    expect(hot(disturbed)).toEqual([]);
  });

  it('clears 2 degrees below, after 2 min', () => {
    const cooling = (s: number) => (s < 3600 ? 60 : 53);
    expect(clears(hot(thermometer(0.1, cooling, undefined, 10)))).toEqual(['battery-1 3720']);
    expect(clears(hot(thermometer(0.1, (s) => (s < 3600 ? 60 : 53.5), undefined, 10)))).toEqual([]);
  });

  it('never tells the homeowner to open anything', () => {
    const [raised] = hot(thermometer(0.1, () => 60, undefined, 10));
    if (raised?.type !== 'raised') throw new Error('nothing was raised');
    expect(raised.finding.words.homeowner).not.toMatch(/\bopen (the|your) (unit|panel|battery)/);
    expect(raised.finding.words.caution).toContain('fire service');
  });
});

describe('a battery hotter than its load and history explain', () => {
  /** 24 Cel at night, 32 in the afternoon (START_MS is noon), and 8 more at the end of a charge each night. */
  const daily = (s: number) => 28 - 4 * Math.cos(2 * Math.PI * (s / DAY_S + 0.5));
  const nightly = (s: number) => (s % DAY_S > 12 * HOUR_S && s % DAY_S < 14 * HOUR_S ? 1400 : 0);

  it('is told half an hour after it became so', () => {
    const failed = thermometer(8, (s) => daily(s) + (s >= 6.25 * DAY_S ? 15 : 0), nightly, 300);
    const [raised] = hot(failed);
    if (raised?.type !== 'raised') throw new Error('nothing was raised');
    const detectedS = (raised.detectedMs - START_MS) / 1000;
    expect(detectedS - 6.25 * DAY_S).toBeGreaterThanOrEqual(1800);
    expect(raised.finding.facts['hot']).toBe(false);
  });

  it('is told on the second day, though little is known yet, when it is far hotter', () => {
    const failed = thermometer(1.5, (s) => daily(s) + (s >= DAY_S ? 25 : 0), nightly, 300);
    expect(raises(hot(failed))).toHaveLength(1);
    expect(hot(thermometer(1.5, (s) => daily(s) + (s >= DAY_S ? 9 : 0), nightly, 300))).toEqual([]);
  });

  it.each([
    { why: 'an ordinary month', tempC: daily, acW: nightly },
    {
      why: 'a week that warms by 8 degrees',
      tempC: (s: number) => daily(s) + Math.min(8, s / DAY_S),
      acW: nightly,
    },
    {
      why: 'a charge at noon, for once',
      tempC: (s: number) => daily(s) + (s > 20 * DAY_S && s < 20.1 * DAY_S ? 12 : 0),
      acW: (s: number) => (s > 19.95 * DAY_S && s < 20.1 * DAY_S ? 1500 : nightly(s)),
    },
  ])('is not told: $why', ({ tempC, acW }) => {
    expect(hot(thermometer(30, tempC, acW, 300))).toEqual([]);
  });

  it('is believed to be the new normal after some days', () => {
    const moved = thermometer(25, (s) => daily(s) + (s >= 10 * DAY_S ? 12 : 0), nightly, 300);
    const transitions = hot(moved);
    expect(raises(transitions)).not.toEqual([]);
    expect(clears(transitions)).not.toEqual([]);
  });
});
