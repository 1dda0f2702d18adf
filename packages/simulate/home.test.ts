// What reaches the broker from a simulated home: the same each time, at the rates its devices promise, and true
// to the home within the instruments' class.

import {
  decodeReadings,
  encodeReadings,
  METER_QUANTITIES,
  type MeterReading,
  type Reading,
} from '@afterwatt/wire';
import { describe, expect, it } from 'vitest';
import { aSite, aSiteOfTwo } from './a-site.fixture.ts';
import { simulateHome } from './home.ts';
import type { HomeScenario, Packet } from './scenario.ts';

const HOUR_MS = 3_600_000;
const DAY_MS = 24 * HOUR_MS;
const FROM_MS = Date.parse('2026-07-06T06:00:00Z');

function packets(more: Partial<HomeScenario> = {}): Packet[] {
  return [...simulateHome({ site: aSite(), seed: 'home', fromMs: FROM_MS, toMs: FROM_MS + DAY_MS, ...more })];
}

function readingsOf(all: readonly Packet[], device: string): Reading[] {
  return all.flatMap((packet) =>
    packet.kind === 'reading' && packet.device === device ? [packet.reading] : [],
  );
}

function meterReadings(all: readonly Packet[]): MeterReading[] {
  return readingsOf(all, 'meter-1').flatMap((reading) => (reading.kind === 'meter' ? [reading] : []));
}

describe('a home', () => {
  it('tells the same for the same seed, and something else for another', () => {
    const toMs = FROM_MS + 3 * HOUR_MS;
    const once = packets({ toMs });
    expect(packets({ toMs })).toEqual(once);
    expect(packets({ toMs, seed: 'other' })).not.toEqual(once);
  });

  it('comes to the same household and the same charge from whichever day it is begun', () => {
    const toMs = FROM_MS + 5 * DAY_MS;
    const late = packets({ fromMs: FROM_MS + 4 * DAY_MS, toMs });
    const early = packets({ toMs, coarseUntilMs: FROM_MS + 4 * DAY_MS }).filter(
      ({ at }) => at >= FROM_MS + 4 * DAY_MS,
    );
    const socs = (all: readonly Packet[]) =>
      readingsOf(all, 'battery-1').map((reading) => (reading.kind === 'battery' ? (reading.socPct ?? 0) : 0));
    const [a, b] = [socs(late), socs(early)];
    expect(Math.abs((a.at(-1) ?? 0) - (b.at(-1) ?? 100))).toBeLessThan(2);
    const energy = (all: readonly Packet[]) => {
      const meter = meterReadings(all);
      return (meter.at(-1)?.importWh ?? 0) - (meter[0]?.importWh ?? 0);
    };
    expect(Math.abs(energy(late) / energy(early) - 1)).toBeLessThan(0.01);
  });

  it('is not changed by another home or another device', () => {
    const two = packets({ site: aSiteOfTwo() });
    const [inTwo] = readingsOf(two, 'battery-2');
    expect(inTwo).toBeDefined();
    const rssi = (all: readonly Packet[]) => meterReadings(all).map((reading) => reading.rssiDbm);
    expect(rssi(two)).toEqual(rssi(packets()));
  });

  it('sends readings at the promised period, nearly all of them, counted', () => {
    const meter = meterReadings(packets());
    const distinct = new Set(meter.map(({ at }) => at)).size;
    expect(distinct).toBeGreaterThan(17_280 * 0.997);
    expect(distinct).toBeLessThanOrEqual(17_280);
    expect(new Set(meter.map(({ periodS }) => periodS))).toEqual(new Set([5]));
    const inOrder = [...meter].sort((a, b) => a.at - b.at);
    const counted = (inOrder.at(-1)?.seq ?? 0) - (inOrder[0]?.seq ?? 0);
    expect(counted).toBeGreaterThanOrEqual(17_270);
    expect(counted).toBeLessThan(17_280);
  });

  it('reports once a minute in its coarse past and promises so', () => {
    const coarseUntilMs = FROM_MS + DAY_MS / 2;
    const meter = meterReadings(packets({ coarseUntilMs }));
    const early = meter.filter(({ at }) => at < coarseUntilMs - 5000);
    expect(Math.abs(new Set(early.map(({ at }) => at)).size - 720)).toBeLessThan(4);
    expect(new Set(early.map(({ periodS }) => periodS))).toEqual(new Set([60]));
    expect(meter.at(-1)?.periodS).toBe(5);
  });

  it('reaches the broker in the order of time, with late and doubled readings now and then', () => {
    const all = packets({ toMs: FROM_MS + 6 * DAY_MS });
    expect(all.some(({ at }, i) => at < (all[i - 1]?.at ?? 0))).toBe(false);
    const meter = meterReadings(all);
    const doubled = meter.length - new Set(meter.map(({ at }) => at)).size;
    expect(doubled).toBeGreaterThan(5);
    expect(doubled).toBeLessThan(200);
    const late = meter.filter((reading, i) => reading.at < (meter[i - 1]?.at ?? 0)).length;
    expect(late).toBeGreaterThan(5);
  });

  it('keeps device clocks within a few seconds', () => {
    const lags = packets().flatMap((packet) =>
      packet.kind === 'reading' ? [packet.at - packet.reading.at] : [],
    );
    // Readings that waited for the radio come later, never more than its drop.
    expect(Math.min(...lags)).toBeGreaterThan(-3000);
    expect(Math.max(...lags)).toBeLessThan(100_000);
  });

  it('says that it is online, what it runs, what its clock shows, and that its self-test passed', () => {
    const states = packets().flatMap((packet) => (packet.kind === 'state' ? [packet] : []));
    for (const device of ['meter-1', 'battery-1']) {
      const own = states.filter((packet) => packet.device === device).map(({ state }) => state);
      expect(own[0]?.online).toBe(true);
      expect(own[0]?.firmware).toMatch(/^1\.\d+\.0$/);
      expect(own.some(({ selfTest }) => selfTest?.passed === true)).toBe(true);
    }
  });

  it('rounds as meters do: a tenth of a volt, a hundredth of an ampere, a watt', () => {
    for (const reading of meterReadings(packets({ toMs: FROM_MS + HOUR_MS }))) {
      for (const [value, steps] of [
        [reading.l1V, 10],
        [reading.l2A, 100],
        [reading.inlet1A, 100],
        [reading.l1W, 1],
      ] as const) {
        expect(Math.abs((value ?? Number.NaN) * steps - Math.round((value ?? 0) * steps))).toBeLessThan(1e-6);
      }
    }
  });

  it('stays within what readings can be, and survives the wire', () => {
    const now = FROM_MS + DAY_MS;
    for (const device of ['meter-1', 'battery-1', 'battery-2']) {
      const sent = readingsOf(packets({ site: aSiteOfTwo(), toMs: FROM_MS + HOUR_MS }), device);
      const decoded = decodeReadings(
        encodeReadings(sent.slice(0, 200), 'cbor'),
        'application/senml+cbor',
        now,
        device,
      );
      expect(decoded).toMatchObject({ kind: 'accepted', refused: [] });
    }
  });

  it('shows import as positive, and the inlet’s load in its leg', () => {
    // The service reads the house and its inlet: when the battery steps, both clamps of its leg step alike.
    const meter = meterReadings(packets({ seed: 'b' }));
    let steps = 0;
    let agree = 0;
    for (let i = 1; i < meter.length; i += 1) {
      const [a, b] = [meter[i - 1], meter[i]];
      if (a === undefined || b === undefined) continue;
      const inletStepW = (b.inlet1W ?? 0) - (a.inlet1W ?? 0);
      if (Math.abs(inletStepW) < 400) continue;
      steps += 1;
      if (Math.abs((b.l1W ?? 0) - (a.l1W ?? 0) - inletStepW) < 200) agree += 1;
    }
    expect(steps).toBeGreaterThan(1);
    expect(agree / steps).toBeGreaterThan(0.6);
  });

  it('exports with solar panels only', () => {
    const least = (otherGeneration: boolean) =>
      Math.min(
        ...meterReadings(packets({ site: aSite({ service: { otherGeneration } }) })).map(
          (r) => (r.l1W ?? 0) + (r.l2W ?? 0),
        ),
      );
    expect(least(true)).toBeLessThan(-1000);
    expect(least(false)).toBeGreaterThan(-1400);
  });

  it('fills every quantity of a meter with two inlets', () => {
    const [first] = meterReadings(packets({ site: aSiteOfTwo(), toMs: FROM_MS + HOUR_MS }));
    for (const { field } of METER_QUANTITIES) expect(first?.[field], field).not.toBeNull();
  });

  it('goes through an outage: no service voltage, no grid, a battery that feeds', () => {
    const outage = { fromMs: FROM_MS + 20 * HOUR_MS, toMs: FROM_MS + 21 * HOUR_MS };
    const inOutage = packets({ outages: [outage] })
      .flatMap((packet) => (packet.kind === 'reading' ? [packet.reading] : []))
      .filter(({ at }) => at > outage.fromMs + 5000 && at < outage.toMs - 5000);
    for (const reading of inOutage) {
      if (reading.kind === 'meter') {
        expect(reading.l1V).toBeLessThan(1);
        expect(Math.abs(reading.inlet1W ?? 0)).toBeLessThan(20);
      } else {
        expect(reading.gridPresent).toBe(false);
        expect(reading.acW).toBeLessThan(-10);
      }
    }
    expect(inOutage.length).toBeGreaterThan(1000);
  });

  it('prepares for a storm that it is told of', () => {
    const alert = {
      sentMs: FROM_MS + 20 * HOUR_MS,
      onsetMs: FROM_MS + 26 * HOUR_MS,
      expiresMs: FROM_MS + 30 * HOUR_MS,
    };
    const battery = readingsOf(packets({ alerts: [alert], toMs: FROM_MS + 27 * HOUR_MS }), 'battery-1');
    const preparing = battery.filter((reading) => reading.kind === 'battery' && reading.stormPreparing);
    expect(preparing[0]?.at).toBeGreaterThan(alert.sentMs);
    expect(preparing.at(-1)?.at).toBeLessThan(alert.onsetMs + 5000);
    const last = battery.at(-1);
    expect(last?.kind === 'battery' ? last.socPct : 0).toBeGreaterThan(99);
  });
});
