// A storm's charge is held against its onset, at the measured rate and at the most that is allowed.

import { describe, expect, it } from 'vitest';
import { startEngine } from '../engine.ts';
import type { SiteEvent } from '../event.ts';
import {
  aBatteryReading,
  aSite,
  aStormMessage,
  clears,
  firstRaise,
  flat,
  HOME,
  HOUR_S,
  raises,
  runSeries,
  START_MS,
  seconds,
  series,
} from '../test-support.ts';
import { stormChargeBehind } from './storm-charge-behind.ts';
import { stormChargeStalled } from './storm-charge-stalled.ts';
import { stormDischarging } from './storm-discharging.ts';

const site = aSite({ location: HOME });
const run = (events: readonly SiteEvent[]) => runSeries(site, stormChargeBehind, events);
describe('a storm charge that comes too late', () => {
  // 3000 Wh at an efficiency of 0.93: 32.3 Wh a point.
  /** Charges with `powerW` from the alert on, with the taper from 90 %. */
  function charging(fromPct: number, powerW: number, toS: number): SiteEvent[] {
    let socPct = fromPct;
    return seconds(0, toS, 10).map((s) => {
      const taper = socPct < 90 ? 1 : Math.max(0.1, 1 - (0.9 * (socPct - 90)) / 10);
      const acW = s < 600 || socPct >= 100 ? 5 : powerW * taper;
      if (acW > 10) socPct = Math.min(100, socPct + (acW * 10) / HOUR_S / 32.26);
      return aBatteryReading(s, { socPct: Math.round(10 * socPct) / 10, acW });
    });
  }
  const alert = (onsetH: number) => aStormMessage({ sentS: 600, onsetS: 600 + onsetH * HOUR_S });

  it('is raised 10 min into a charge at a third of what it takes', () => {
    // From 30 %: 2258 Wh, 1.35 h at 1500 W up to 90 % and some more; in 6 h 300 W give 56 points.
    const raised = firstRaise(run([alert(6), ...charging(30, 300, 3 * HOUR_S)]));
    expect((raised.detectedMs - START_MS) / 1000).toBeLessThanOrEqual(600 + 720);
    expect(Math.abs(Number(raised.finding.facts['reachedPct']) - 86)).toBeLessThanOrEqual(2);
    expect(raised.finding.facts['impossible']).toBe(false);
  });

  it('is said at once when no charge could do it', () => {
    const raised = firstRaise(run([alert(1), ...charging(30, 1500, HOUR_S)]));
    expect(raised.detectedMs).toBe(START_MS + 600_000);
    expect(raised.finding.facts['impossible']).toBe(true);
    // By hand: 1500 W for an hour are 46.5 points.
    expect(Math.abs(Number(raised.finding.facts['reachedPct']) - 76)).toBeLessThanOrEqual(2);
  });

  it.each([
    { why: 'it arrives in time', events: [alert(6), ...charging(30, 1400, 6 * HOUR_S)] },
    {
      why: 'it arrives just in time, through the taper',
      events: [alert(6), ...charging(30, 560, 6 * HOUR_S)],
    },
    {
      why: 'nothing says when the storm comes',
      events: [aStormMessage({ sentS: 600, onsetS: null }), ...charging(30, 200, 6 * HOUR_S)],
    },
    {
      why: 'the outage has begun',
      events: [alert(6), ...series(3 * HOUR_S, flat(30), flat(200), { gridPresent: false })],
    },
    { why: 'it is nearly full', events: [alert(0.2), ...charging(97, 1500, HOUR_S)] },
  ])('is not raised when $why', ({ events }) => {
    expect(run(events)).toEqual([]);
  });

  it('leaves a charge that has stopped to the one that says so', () => {
    const engine = startEngine(site, undefined, [stormDischarging, stormChargeStalled, stormChargeBehind]);
    const transitions = [alert(6), ...series(6 * HOUR_S, flat(30), flat(0))].flatMap((event) => [
      ...engine.step(event),
    ]);
    expect(raises(transitions)).toEqual(['battery-1 1200']);
    expect(transitions[0]?.kind).toBe('storm-charge-stalled');
  });

  it('clears once it charges fast enough', () => {
    const slow = charging(30, 300, HOUR_S);
    const fast = charging(38, 1400, 4 * HOUR_S).filter(({ at }) => at >= START_MS + HOUR_S * 1000);
    expect(clears(run([alert(6), ...slow, ...fast]))).toHaveLength(1);
  });
});
