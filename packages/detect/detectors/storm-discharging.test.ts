// A battery that feeds the house before a storm is told, from one that may.

import { describe, expect, it } from 'vitest';
import { startEngine } from '../engine.ts';
import type { SiteEvent } from '../event.ts';
import { aSite, aStormMessage, clears, flat, HOME, raises, runSeries, series } from '../test-support.ts';
import { stormChargeBehind } from './storm-charge-behind.ts';
import { stormChargeStalled } from './storm-charge-stalled.ts';
import { stormDischarging } from './storm-discharging.ts';

const site = aSite({ location: HOME });
const run = (events: readonly SiteEvent[]) => runSeries(site, stormDischarging, events);
describe('a storm charge that runs backwards', () => {
  const alert = aStormMessage({ sentS: 600 });
  const feeding = (w: number) => (s: number) => (s < 3600 ? 1400 : -w);

  it('is raised 10 min after the battery began to feed', () => {
    expect(raises(run([alert, ...series(7200, flat(60), feeding(120))]))).toEqual(['battery-1 4200']);
  });

  it.each([
    { why: 'it feeds no more than control error', events: [alert, ...series(7200, flat(60), feeding(49))] },
    { why: 'there is no alert', events: series(7200, flat(60), feeding(500)) },
    {
      why: 'the outage has begun',
      events: [alert, ...series(7200, flat(60), feeding(500), { gridPresent: false })],
    },
    { why: 'it is full', events: [alert, ...series(7200, flat(99), feeding(500))] },
    {
      why: 'it is over in 9 min',
      events: [alert, ...series(7200, flat(60), (s) => (s >= 3600 && s < 4140 ? -500 : 1400))],
    },
  ])('is not raised when $why', ({ events }) => {
    expect(run(events)).toEqual([]);
  });

  it('is raised of one that was full and feeds on below its target', () => {
    const emptying = series(7200, (s) => 100 - Math.max(0, s - 3600) / 600, feeding(500));
    const [first] = raises(run([alert, ...emptying]));
    expect(Number(first?.split(' ')[1])).toBeGreaterThan(3600 + 600);
    expect(Number(first?.split(' ')[1])).toBeLessThan(3600 + 720);
  });

  it('is raised once for a unit that feeds and charges by turns of a quarter of an hour', () => {
    const turns = series(4 * 3600, flat(60), (s) => (s % 1800 < 900 ? -600 : 900));
    expect(raises(run([alert, ...turns]))).toHaveLength(1);
  });

  it('clears when the alert is cancelled, and when the battery charges again', () => {
    const cancel = aStormMessage({ sentS: 5000 }, { type: 'Cancel', earlier: alert });
    const fed = series(7200, flat(60), feeding(500));
    expect(clears(run([alert, cancel, ...fed]))).toHaveLength(1);
    const mended = series(7200, flat(60), (s) => (s >= 3600 && s < 5400 ? -500 : 1400));
    expect(clears(run([alert, ...mended]))).toHaveLength(1);
  });

  it('is not raised of a site where the owner wants no storm preparation', () => {
    const unwilling = aSite({ location: HOME, storm: { enabled: false } });
    const fed = series(7200, flat(60), feeding(500));
    expect(runSeries(unwilling, stormDischarging, [alert, ...fed])).toEqual([]);
  });

  it('stands alone: it is not stalled and not behind as well', () => {
    const engine = startEngine(site, undefined, [stormDischarging, stormChargeStalled, stormChargeBehind]);
    for (const event of [alert, ...series(7200, flat(60), feeding(300))]) engine.step(event);
    expect(engine.standing().map(({ kind }) => kind)).toEqual(['storm-discharging']);
  });
});
