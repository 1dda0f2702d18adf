// A battery that holds less than registered or loses too much is told from one that is aged a little, works at
// low power, corrects its gauge or lives on its cells.

import { describe, expect, it } from 'vitest';
import type { SiteEvent } from '../event.ts';
import {
  aBatteryReading,
  aSite,
  clears,
  DAY_S,
  firstRaise,
  HOUR_S,
  raises,
  runSeries,
  seconds,
} from '../test-support.ts';
import { batteryEnergyMismatch } from './battery-energy-mismatch.ts';

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
    const raised = firstRaise(mismatch(asReadings(cycles(2, { capacityWh: 2100 }))));
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
