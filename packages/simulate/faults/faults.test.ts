// Every kind of incident can be brought about, each fault does in the readings what it says, and the truth that
// goes with it is the one that must be told.

import { type BatteryReading, INCIDENT_KINDS, type IncidentKind, type MeterReading } from '@afterwatt/wire';
import { describe, expect, it } from 'vitest';
import { aSite, aSiteOfTwo } from '../a-site.fixture.ts';
import { simulateHome } from '../home.ts';
import type { FaultSpec, HomeScenario, HomeSimulation, Packet } from '../scenario.ts';
import type { FaultName } from './fault-name.ts';
import { FAULTS } from './faults.ts';

const HOUR_MS = 3_600_000;
const DAY_MS = 24 * HOUR_MS;
const MINUTE_MS = 60_000;
const FROM_MS = Date.parse('2026-07-06T06:00:00Z');
/** 21:00 in Denver, after the peak. */
const ONSET_MS = FROM_MS + 2 * DAY_MS + 21 * HOUR_MS;
const NAMES = Object.keys(FAULTS).filter((name): name is FaultName => name in FAULTS);

function fault(name: FaultName, subject: string, more: Partial<FaultSpec> = {}): FaultSpec {
  return { name, subject, onsetMs: ONSET_MS, endMs: null, severity: 0.5, ...more };
}

function simulate(faults: readonly FaultSpec[], more: Partial<HomeScenario> = {}): HomeSimulation {
  const coarseUntilMs = ONSET_MS - HOUR_MS;
  // Past the night's charging.
  const toMs = ONSET_MS + 6 * HOUR_MS;
  return simulateHome({
    site: aSiteOfTwo(),
    seed: 'home',
    fromMs: FROM_MS,
    toMs,
    coarseUntilMs,
    faults,
    ...more,
  });
}

function after(packets: Iterable<Packet>, sinceMs = ONSET_MS) {
  const meter: MeterReading[] = [];
  const battery: BatteryReading[] = [];
  for (const packet of packets) {
    if (packet.kind !== 'reading' || packet.at < sinceMs) continue;
    if (packet.reading.kind === 'meter') meter.push(packet.reading);
    else if (packet.device === 'battery-1') battery.push(packet.reading);
  }
  return { meter, battery };
}

const mean = (values: readonly (number | null)[]): number =>
  values.reduce<number>((sum, value) => sum + (value ?? 0), 0) / values.length;
const most = (values: readonly (number | null)[]): number => Math.max(...values.map((value) => value ?? 0));

describe('faults', () => {
  it('bring about every kind of incident', () => {
    const site = aSiteOfTwo();
    const told = new Set(
      NAMES.flatMap((name) =>
        FAULTS[name]
          .subjects(site)
          .flatMap((subject) => FAULTS[name].tells(fault(name, subject), site))
          .map(({ kind }) => kind),
      ),
    );
    const kinds = Object.keys(INCIDENT_KINDS).filter((kind): kind is IncidentKind => kind in INCIDENT_KINDS);
    expect([...told].sort()).toEqual(kinds.sort());
  });

  it.each(NAMES)('%s shows, at its mildest and at its worst, and only after its onset', (name) => {
    for (const severity of [0, 1]) {
      const site = aSiteOfTwo();
      for (const subject of FAULTS[name].subjects(site).slice(0, 1)) {
        // The units of this home feed at full power, so that they are emptied by the evening. Of one that is at its
        // reserve nothing can be forecast: that outage comes before the peak.
        const onsetMs = name === 'reserve-forecast' ? ONSET_MS - 6 * HOUR_MS : ONSET_MS;
        const run = simulate([fault(name, subject, { severity, onsetMs })], {
          seed: 'b',
          toMs: ONSET_MS + 2.2 * DAY_MS,
          coarseUntilMs: ONSET_MS + 3 * DAY_MS,
        });
        for (const _ of run);
        for (const { shownMs } of run.truths) expect(shownMs).toBeGreaterThanOrEqual(onsetMs);
        expect(run.truths.length).toBeGreaterThan(0);
      }
    }
  });

  it('refuse a subject that they cannot happen to', () => {
    expect(() => simulate([fault('inlet-ct-swapped', 'inlets')], { site: aSite() })).toThrow(RangeError);
    expect(() => simulate([fault('battery-hot', 'battery-9')])).toThrow(RangeError);
  });

  it('end when they are mended', () => {
    const spec = fault('voltage-out-of-range', 'service', { severity: 1, endMs: ONSET_MS + 2 * HOUR_MS });
    const { meter } = after(simulate([spec], { toMs: ONSET_MS + 4 * HOUR_MS }));
    const volts = (fromMs: number) => mean(meter.filter(({ at }) => at > fromMs).map(({ l1V }) => l1V));
    expect(mean(meter.filter(({ at }) => at < ONSET_MS + HOUR_MS).map(({ l1V }) => l1V))).toBeGreaterThan(
      126,
    );
    expect(volts(ONSET_MS + 3 * HOUR_MS)).toBeLessThan(126);
  });

  it('come in pairs', () => {
    const pair = [fault('service-ct-reversed', 'L1'), fault('battery-hot', 'battery-1')];
    const run = simulate(pair);
    const { meter, battery } = after(run);
    expect(mean(meter.map(({ l1W }) => l1W))).toBeLessThan(-50);
    expect(most(battery.map(({ tempC }) => tempC))).toBeGreaterThan(55);
    expect(run.truths.map(({ kind }) => kind)).toEqual(['service-ct-reversed', 'battery-hot']);
  });
});

describe('clamps', () => {
  const healthy = after(simulate([])).meter;
  const legMeans = (meter: readonly MeterReading[]) => [
    mean(meter.map((r) => r.l1W)),
    mean(meter.map((r) => r.l2W)),
  ];
  const [l1W = 0, l2W = 0] = legMeans(healthy);

  // What each arrangement reads: worked out on paper for split phase, legs 180 degrees apart.
  it.each([
    ['service-ct-reversed', 'L1', [-l1W, l2W]],
    ['service-ct-reversed', 'L2', [l1W, -l2W]],
    ['service-ct-both-reversed', 'service', [-l1W, -l2W]],
    ['service-ct-swapped', 'service', [-l2W, -l1W]],
    ['service-ct-swapped-both-reversed', 'service', [l2W, l1W]],
    ['ct-no-signal', 'L2', [l1W, 0]],
  ] as const)('%s of %s', (name, subject, expected) => {
    const read = legMeans(after(simulate([fault(name, subject)])).meter);
    for (const [index, expectedW] of expected.entries()) {
      expect(Math.abs((read[index] ?? 0) - expectedW)).toBeLessThan(5 + 0.02 * Math.abs(expectedW));
    }
  });

  it('swapped with one reversed reads one leg on the other channel, and the other turned', () => {
    const [first = 0, second = 0] = legMeans(
      after(simulate([fault('service-ct-swapped-one-reversed', 'service', { severity: 0 })])).meter,
    );
    expect(Math.abs(first - l2W)).toBeLessThan(5 + 0.02 * Math.abs(l2W));
    expect(Math.abs(second + l1W)).toBeLessThan(5 + 0.02 * Math.abs(l1W));
  });

  it('of a wrong ratio read half or twice', () => {
    for (const [severity, ratio] of [
      [0, 0.5],
      [1, 2],
    ] as const) {
      const { meter } = after(simulate([fault('ct-ratio', 'L1', { severity })]));
      expect(mean(meter.map((r) => r.l1W)) / l1W).toBeCloseTo(ratio, 1);
    }
  });

  it('of an inlet turned or swapped read against the batteries', () => {
    const turned = after(simulate([fault('inlet-ct-reversed', 'inlet 1')]));
    // The battery charges with more than it feeds, so the lowest power on a turned clamp is the charging's.
    expect(Math.min(...turned.meter.map((r) => r.inlet1W ?? 0))).toBeLessThan(-1400);
    expect(most(turned.battery.map((r) => r.acW))).toBeGreaterThan(1400);
    // Only battery 2 at rest: its inlet's clamp sits on the first inlet and shows its power, turned by the leg.
    const swapped = after(
      simulate([fault('inlet-ct-swapped', 'inlets'), fault('storm-charge-stalled', 'battery-2')]),
    );
    const charging = swapped.meter.filter((r) => (r.inlet2W ?? 0) < -500);
    expect(charging.length).toBeGreaterThan(100);
    expect(most(charging.map((r) => Math.abs(r.inlet1W ?? 0)))).toBeLessThan(30);
  });
});

describe('circuits', () => {
  it('are over their cap by what the severity says', () => {
    for (const [severity, share] of [
      [0, 1.03],
      [1, 1.6],
    ] as const) {
      const { meter } = after(simulate([fault('inlet-over-cap-foreign-load', 'inlet 1', { severity })]));
      const readW = mean(meter.map((r) => r.inlet1W));
      expect(readW / 1800).toBeGreaterThan(0.99 * share);
      expect(readW / 1800).toBeLessThan(share * 1.1);
    }
  });

  it('carry between 80 per cent of the breaker and the cap in continuous load', () => {
    for (const severity of [0, 1]) {
      const { meter } = after(
        simulate([fault('inlet-continuous-load', 'inlet 1', { severity })]),
        ONSET_MS + 60_000,
      );
      expect(Math.min(...meter.map((r) => r.inlet1A ?? 0))).toBeGreaterThan(12);
      expect(most(meter.map((r) => r.inlet1A))).toBeLessThan(15);
      expect(most(meter.map((r) => r.inlet1W))).toBeLessThan(1800);
    }
  });

  it('lose more voltage on the way to the battery as their resistance rises', () => {
    const { meter, battery } = after(
      simulate([fault('inlet-circuit-resistance', 'inlet 1', { severity: 1 })], {
        toMs: ONSET_MS + 4 * DAY_MS,
      }),
      ONSET_MS + 3 * DAY_MS,
    );
    const volts = new Map(meter.map((r) => [Math.round(r.at / 10_000), r.l1V ?? 0]));
    const ohms = battery
      .filter((r) => (r.acA ?? 0) > 8 && (r.acW ?? 0) > 0)
      .map((r) => ((volts.get(Math.round(r.at / 10_000)) ?? 0) - (r.acV ?? 0)) / (r.acA ?? 1))
      .sort((a, b) => a - b);
    // 120 W at 15 A is 0.53 ohm, on top of some 0.15 ohm of 80 feet of conductor and its contacts.
    expect(ohms[ohms.length >> 1]).toBeGreaterThan(0.55);
    expect(ohms[ohms.length >> 1]).toBeLessThan(0.85);
  });

  it('leave nothing to forecast of a unit that stands at its reserve as the outage begins', () => {
    // It stops feeding one point above: 30 Wh of 3000, four minutes at 450 W.
    const run = simulate([fault('reserve-forecast', 'battery-1')], {
      seed: 'b',
      coarseUntilMs: ONSET_MS + DAY_MS,
    });
    const { battery } = after(run);
    expect(battery[0]?.socPct).toBeLessThanOrEqual(22);
    expect(run.truths[0]?.shownMs).toBeNull();
  });

  it('take the service voltage for out of range when its 10 min values are, not for a moment', () => {
    // At the edge of range A one leg dips below 114 V with its loads and comes back.
    for (const seed of ['d', 'f', 'g']) {
      const run = simulate([fault('voltage-out-of-range', 'service', { severity: 0.48 })], { seed });
      const { meter } = after(run);
      const shownMs = run.truths[0]?.shownMs ?? Number.POSITIVE_INFINITY;
      const within = meter.filter(({ at }) => at >= shownMs && at < shownMs + 20 * MINUTE_MS);
      for (const { l1V, l2V } of within) expect(Math.max(l1V ?? 0, l2V ?? 0)).toBeLessThan(114.3);
    }
  });

  it('borrow an inlet from a battery that is off: their sum is never over the cap', () => {
    for (const seed of ['home', 'b', 'c']) {
      // 00:30, when the units charge.
      const onsetMs = ONSET_MS + 3.5 * HOUR_MS;
      const spec = fault('inlet-continuous-load', 'inlet 1', { severity: 1, onsetMs });
      const { meter } = after(simulate([spec], { seed }), onsetMs - HOUR_MS);
      expect(most(meter.filter((r) => r.at < onsetMs - 2 * MINUTE_MS).map((r) => r.inlet1A))).toBeGreaterThan(
        3,
      );
      expect(most(meter.map((r) => r.inlet1A))).toBeLessThan(15.2);
      expect(most(meter.map((r) => r.inlet1A))).toBeGreaterThan(12);
    }
  });

  it('show of a wrong clock only what the unit does: in a line too high for its inverter it does nothing', () => {
    // The source at 134 V is beyond the 110 % at which an inverter leaves the grid (IEEE 1547, from memory).
    const onsetMs = FROM_MS + DAY_MS;
    const high = fault('voltage-out-of-range', 'service', { severity: 1, onsetMs });
    const late = fault('tariff-clock-shift', 'battery-1', { severity: 0.9, onsetMs });
    const run = simulate([high, late], { toMs: ONSET_MS });
    const { battery } = after(run, onsetMs + HOUR_MS);
    expect(most(battery.map((r) => Math.abs(r.acW ?? 0)))).toBeLessThan(50);
    expect(run.truths.find(({ kind }) => kind === 'tariff-clock-shift')?.shownMs).toBeNull();
  });

  it('part the legs when the neutral is open, and keep their sum', () => {
    const { meter } = after(
      simulate([fault('open-neutral', 'service', { severity: 1 })], { toMs: ONSET_MS + DAY_MS }),
    );
    const parted = meter.filter(
      (r) => Math.max(r.l1V ?? 0, r.l2V ?? 0) > 130 && Math.min(r.l1V ?? 0, r.l2V ?? 0) < 110,
    );
    expect(parted.length).toBeGreaterThan(0.2 * meter.length);
    const sums = meter.filter((r) => (r.l1V ?? 0) > 0).map((r) => (r.l1V ?? 0) + (r.l2V ?? 0));
    expect(Math.abs(mean(sums) / 240 - 1)).toBeLessThan(0.04);
  });

  it('show of an open neutral only what parts the RMS voltages: reactive current does not', () => {
    // The drop over the neutral moves one leg up and the other down where it is in phase with them. At right angles
    // to them it moves both alike: by 2 V of 120 V to sqrt(120^2 + 2^2) = 120.02 V.
    for (const seed of ['home', 'n42', 'n49', 'n57']) {
      const run = simulate([fault('open-neutral', 'service', { severity: 0.5 })], { seed });
      const { meter } = after(run);
      const shownMs = run.truths[0]?.shownMs ?? Number.POSITIVE_INFINITY;
      const apartV = meter
        .filter((r) => r.at >= shownMs && r.at < shownMs + 15_000)
        .map((r) => Math.abs((r.l1V ?? 0) - (r.l2V ?? 0)));
      // Of 4 V this meter's noise hides some tenths.
      for (const volts of apartV) expect(volts).toBeGreaterThan(3.2);
    }
  });

  it('feed the panel in an outage when the relay sticks', () => {
    const spec = fault('backfeed-in-outage', 'inlet 1', { severity: 0, endMs: ONSET_MS + HOUR_MS });
    const { meter, battery } = after(simulate([spec], { toMs: ONSET_MS + HOUR_MS }), ONSET_MS + 10_000);
    expect(most(meter.map((r) => r.inlet1W))).toBeLessThan(-50);
    expect(battery.every((r) => r.gridPresent === false)).toBe(true);
    expect(Math.min(...meter.map((r) => r.l1V ?? 0))).toBeGreaterThan(110);
  });
});

describe('devices', () => {
  const states = (run: Iterable<Packet>, device: string) =>
    [...run].flatMap((p) => (p.kind === 'state' && p.device === device && p.at >= ONSET_MS ? [p.state] : []));

  it('fall silent, with a Last Will or without', () => {
    for (const severity of [0, 1]) {
      const spec = fault('device-silent', 'battery-1', { severity });
      expect(after(simulate([spec])).battery).toEqual([]);
      expect(states(simulate([spec]), 'battery-1')).toEqual(severity === 0 ? [] : [{ online: false }]);
    }
  });

  it('come back online', () => {
    const spec = fault('device-silent', 'battery-1', { severity: 1, endMs: ONSET_MS + HOUR_MS });
    expect(
      states(simulate([spec]), 'battery-1')
        .map(({ online }) => online)
        .slice(0, 2),
    ).toEqual([false, true]);
  });

  it('lose the share of readings that they should, seen by their counts', () => {
    const { meter } = after(
      simulate([fault('readings-lost', 'meter-1', { severity: 0 })], { toMs: ONSET_MS + DAY_MS }),
    );
    const seqs = new Set(meter.map(({ seq }) => seq ?? 0));
    const share = 1 - seqs.size / (Math.max(...seqs) - Math.min(...seqs) + 1);
    expect(share).toBeGreaterThan(0.02);
    expect(share).toBeLessThan(0.04);
  });

  it('repeat a value to the last digit while the others move', () => {
    const { meter } = after(simulate([fault('sensor-flatline', 'meter-1 l2.p')]));
    expect(new Set(meter.map(({ l2W }) => l2W)).size).toBe(1);
    expect(new Set(meter.map(({ l2A }) => l2A)).size).toBeGreaterThan(50);
  });

  it('run behind or ahead with their clocks, and say so in their state', () => {
    const skewed = fault('device-clock-skew', 'battery-1', { severity: 0 });
    const packets = [
      ...simulate([skewed], { toMs: ONSET_MS + DAY_MS, coarseUntilMs: ONSET_MS + DAY_MS }),
    ].filter((p) => p.at > ONSET_MS && p.device === 'battery-1');
    for (const packet of packets) {
      const at = packet.kind === 'reading' ? packet.reading.at : Date.parse(packet.state.clock ?? '');
      expect(at - packet.at).toBeLessThan(50_000);
      if (packet.kind === 'state') expect(at - packet.at).toBeGreaterThan(40_000);
    }
    expect(packets.some((packet) => packet.kind === 'state')).toBe(true);
  });

  it('change their firmware and do not pass a self-test after it', () => {
    for (const [severity, passed] of [
      [0, []],
      [1, [false]],
    ] as const) {
      const told = states(simulate([fault('self-test-missing', 'meter-1', { severity })]), 'meter-1');
      expect(told[0]?.firmware).toBeDefined();
      expect(told.flatMap(({ selfTest }) => (selfTest === undefined ? [] : [selfTest.passed]))).toEqual(
        passed,
      );
    }
  });
});
