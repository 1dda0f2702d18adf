// A battery that takes no charge while a storm comes is named within 12 min; one that is full, tapering, cut
// off, or whose alert is gone is not. Taper from 90 % down to a tenth of the power (LiFePO4, common practice).

import { describe, expect, it } from 'vitest';
import { startEngine } from '../engine.ts';
import type { SiteEvent } from '../event.ts';
import {
  aBatteryReading,
  aSite,
  aStormMessage,
  clears,
  HOME,
  raises,
  runSeries,
  START_MS,
  seconds,
} from '../test-support.ts';
import { stormChargeBehind } from './storm-charge-behind.ts';
import { stormChargeStalled } from './storm-charge-stalled.ts';

const site = aSite({ location: HOME });
const run = (events: readonly SiteEvent[], on = site) => runSeries(on, stormChargeStalled, events);

type At = (s: number) => number;
function series(toS: number, socPct: At, acW: At, gridPresent = true): SiteEvent[] {
  return seconds(0, toS, 10).map((s) => aBatteryReading(s, { socPct: socPct(s), acW: acW(s), gridPresent }));
}
const flat = (value: number) => () => value;
/** Charges at 1400 W until `stopS`. */
const chargeUntil = (stopS: number) => (s: number) => (s < stopS ? 1400 : 0);
const alert = aStormMessage({ sentS: 600 });

describe('a storm charge that stalls', () => {
  it('is raised 10 min after the power fell away', () => {
    expect(raises(run([alert, ...series(7200, flat(60), chargeUntil(3600))]))).toEqual(['battery-1 4200']);
  });

  it('is raised 10 min after the alert was sent when it never began', () => {
    expect(raises(run([alert, ...series(7200, flat(60), flat(0))]))).toEqual(['battery-1 1200']);
  });

  it('is none while the sun charges the cells past the port', () => {
    const sunny = seconds(0, 7200, 10).map((s) =>
      aBatteryReading(s, { socPct: 60, acW: 0, pvW: s < 5400 ? 400 : 0 }),
    );
    expect(raises(run([alert, ...sunny]))).toEqual(['battery-1 6000']);
  });

  it('is raised once, though a reading in it is lost or has no power', () => {
    const stalled = series(7200, flat(60), chargeUntil(3600)).filter((_, i) => i % 7 !== 3);
    const holes = seconds(3605, 7200, 60).map((s) => aBatteryReading(s, { socPct: 60 }));
    expect(raises(run([alert, ...stalled, ...holes]))).toHaveLength(1);
  });

  it('is not taken to have stood still while it was not heard', () => {
    const heard = series(7200, flat(60), flat(0)).filter((_, i) => i < 90 || i >= 360);
    expect(raises(run([alert, ...heard]))).toEqual(['battery-1 4200']);
  });

  it('says what is coming, when, and who may look at the circuit', () => {
    const [raised] = run([alert, ...series(7200, flat(60), flat(0))]);
    if (raised?.type !== 'raised') throw new Error('nothing was raised');
    const { headline, caution, homeowner } = raised.finding.words;
    expect(headline).toContain('Ice Storm Warning');
    expect(headline).toContain('Mon 2 Mar, 18:00'); // onset 6 h after 12:00 in Denver
    expect(caution).toContain('licensed electrician');
    expect(homeowner).not.toContain('panel');
  });

  it('clears when it charges again', () => {
    const acW = (s: number) => (s >= 3600 && s < 5400 ? 0 : 1400);
    expect(clears(run([alert, ...series(7200, flat(60), acW)]))).toEqual(['battery-1 5550']);
  });

  describe('that went on after it was told', () => {
    // 150 W into 3000 Wh for an hour are 5 points: far from full in the six hours to the onset.
    const fourHoursS = 4 * 3600;
    /** Stands still for 20 min from 3600 s on, and goes on with 150 W with pauses of `pauseS` each hour. */
    const byTurns = (pauseS: number) => (s: number) =>
      s < 3600 ? 150 : (s - 3600) % 3600 < (s < 7200 ? 1200 : pauseS) ? 3 : 150;
    const told = (pauseS: number) => {
      const engine = startEngine(site, undefined, [stormChargeStalled, stormChargeBehind]);
      return [alert, ...series(fourHoursS, flat(30), byTurns(pauseS))]
        .flatMap((event) => [...engine.step(event)])
        .filter(({ type }) => type === 'raised')
        .map(({ kind, detectedMs }) => `${kind} ${(detectedMs - START_MS) / 1000}`);
    };

    it('is one incident and a late charge another, however often it pauses for a quarter of an hour', () => {
      const [late, stalled, lateAgain, ...more] = told(900);
      expect([late, stalled]).toEqual(['storm-charge-behind 1200', 'storm-charge-stalled 4200']);
      expect(lateAgain).toMatch('storm-charge-behind');
      expect(more).toEqual([]);
    });

    it('is told again when it stops for good', () => {
      expect(told(3600).at(-1)).toBe('storm-charge-stalled 9000');
    });
  });

  it('is not found in a pause of 9 min', () => {
    const acW = (s: number) => (s >= 3600 && s < 4140 ? 0 : 1400);
    expect(run([alert, ...series(7200, flat(60), acW)])).toEqual([]);
  });
});

describe('a battery that need not charge', () => {
  const stalledW = chargeUntil(3600);
  it.each([
    { why: 'it is full', events: series(7200, flat(100), stalledW) },
    { why: 'it is within four points of its target', events: series(7200, flat(96), stalledW) },
    { why: 'it tapers: 40 W at 95 %', events: series(7200, flat(95), flat(40)) },
    { why: 'the outage has begun', events: series(7200, flat(60), flat(0), false) },
  ])('is left alone when $why', ({ events }) => {
    expect(run([alert, ...events])).toEqual([]);
  });

  it('is raised one point further from its target', () => {
    expect(raises(run([alert, ...series(7200, flat(95), stalledW)]))).toHaveLength(1);
  });

  const idle = series(7200, flat(60), flat(0));
  it.each([
    { why: 'there is no alert', messages: [] },
    {
      why: 'the alert was cancelled within 10 min',
      messages: [alert, aStormMessage({ sentS: 1100 }, { type: 'Cancel', earlier: alert })],
    },
    { why: 'its onset comes within 10 min', messages: [aStormMessage({ sentS: 600, onsetS: 1150 })] },
    {
      why: 'it expires within 10 min',
      messages: [aStormMessage({ sentS: 600, onsetS: null, expiresS: 1150 })],
    },
    {
      why: 'it is minor',
      messages: [aStormMessage({ sentS: 600 }, { info: { severity: 'Minor', responseTypes: [] } })],
    },
    {
      why: 'it is for another county',
      messages: [
        aStormMessage(
          { sentS: 600 },
          {
            info: {
              areas: [
                { description: '', polygons: [], circles: [], geocodes: [{ name: 'SAME', value: '008001' }] },
              ],
            },
          },
        ),
      ],
    },
  ])('is left alone when $why', ({ messages }) => {
    expect(run([...messages, ...idle])).toEqual([]);
  });

  it('is left alone where the owner wants no storm preparation', () => {
    const off = aSite({ location: HOME, storm: { enabled: false } });
    expect(run([alert, ...idle], off)).toEqual([]);
  });

  it('is no longer raised once its alert is cancelled, and clears', () => {
    const cancel = aStormMessage({ sentS: 3000 }, { type: 'Cancel', earlier: alert });
    expect(clears(run([alert, ...idle, cancel]))).toEqual(['battery-1 3120']);
  });

  it('is raised to a new onset when the alert is updated', () => {
    const first = aStormMessage({ sentS: 600, onsetS: 1000 });
    const update = aStormMessage({ sentS: 900, onsetS: 6000 }, { type: 'Update', earlier: first });
    expect(raises(run([first, ...idle, update]))).toEqual(['battery-1 1200']);
  });
});

it('opens a preparation in device time when the alert is known before a backlog reaches it', () => {
  const early = { ...alert, at: alert.at - 3_600_000 };
  expect(raises(run([early, ...series(7200, flat(60), flat(0))]))).toEqual(['battery-1 1200']);
});
