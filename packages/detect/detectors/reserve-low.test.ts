// A battery below its reserve with the grid there is raised in 10 min; one that recharges is not, and an outage
// tells at once how long it lasts. Borders: reserve 20 %, raised from 19 %, cleared at 22 % (ISA-18.2 deadband).

import { describe, expect, it } from 'vitest';
import type { SiteEvent } from '../event.ts';
import { aBatteryReading, aSite, clears, raises, runSeries, seconds } from '../test-support.ts';
import { reserveLow } from './reserve-low.ts';

const site = aSite();
const run = (events: readonly SiteEvent[]) => runSeries(site, reserveLow, events);

type At = (s: number) => number;
/** Battery readings every 10 s. */
function series(fromS: number, toS: number, socPct: At, acW: At, gridPresent = true): SiteEvent[] {
  return seconds(fromS, toS, 10).map((s) =>
    aBatteryReading(s, { socPct: socPct(s), acW: acW(s), gridPresent }),
  );
}
const flat = (value: number) => () => value;

describe('a battery below its reserve while the grid is there', () => {
  it.each([
    { socPct: 19, acW: 0, why: 'exactly one point below, idle' },
    { socPct: 12, acW: -400, why: 'feeding the house' },
    { socPct: 12, acW: 49, why: 'drawing no more than standby' },
  ])('is raised after 10 min at $socPct % ($why)', ({ socPct, acW }) => {
    expect(raises(run(series(0, 1800, flat(socPct), flat(acW))))).toEqual(['battery-1 600']);
  });

  it.each([
    { socPct: 19.1, acW: 0, why: 'less than a point below' },
    { socPct: 20, acW: 0, why: 'at its reserve' },
    { socPct: 12, acW: 50, why: 'recharging, as slowly as it may' },
  ])('is not raised at $socPct % and $acW W ($why)', ({ socPct, acW }) => {
    expect(run(series(0, 7200, flat(socPct), flat(acW)))).toEqual([]);
  });

  it('is not raised when it dips for 9 min', () => {
    const soc = (s: number) => (s >= 600 && s < 1140 ? 18 : 30);
    expect(run(series(0, 3600, soc, flat(0)))).toEqual([]);
  });

  it('clears two points above its reserve, not before', () => {
    const soc = (s: number) => (s < 1200 ? 15 : s < 2400 ? 21.9 : 22);
    expect(clears(run(series(0, 3600, soc, flat(0))))).toEqual(['battery-1 2460']);
  });

  it('clears when it was brought back to its reserve and is held there for an hour', () => {
    const soc = (s: number) => (s < 1200 ? 15 : 20);
    expect(clears(run(series(0, 7200, soc, flat(0))))).toEqual(['battery-1 4860']);
  });

  it('is raised 10 min after a recharge stops short', () => {
    const charging = series(0, 3600, (s) => 10 + s / 600, flat(300));
    const stopped = series(3600, 7200, flat(16), flat(0));
    expect(raises(run([...charging, ...stopped]))).toEqual(['battery-1 4200']);
  });
});

describe('a battery below its reserve in an outage', () => {
  const outage = series(0, 600, flat(19), flat(-276), false);

  it('is told at once, with the time left at the present load', () => {
    const [raised] = run(outage);
    if (raised?.type !== 'raised') throw new Error('nothing was raised');
    expect(raised.atMs - raised.onsetMs).toBe(0);
    // By hand: 3000 Wh x 19 % = 570 Wh; 276 W / 0.92 + 15 W = 315 W; 570 / 315 = 1.81 h.
    expect(raised.finding.facts['leftMs']).toBeCloseTo((570 / 315) * 3_600_000, 3);
    expect(raised.finding.words.homeowner).toContain('1 h 49 min');
  });

  it('is quiet again once the grid is back and it has recharged to its reserve', () => {
    const after = series(
      600,
      9000,
      (s) => Math.min(20, 15 + (s - 600) / 600),
      (s) => (s < 3600 ? 300 : 0),
    );
    const transitions = run([...outage, ...after]);
    expect(raises(transitions)).toEqual(['battery-1 0']);
    expect(clears(transitions)).toHaveLength(1);
  });
});

it('says nothing while the state of charge is not known', () => {
  const silent = seconds(0, 3600, 10).map((s) => aBatteryReading(s, { acW: 0 }));
  expect(run(silent)).toEqual([]);
});
