// The reserve set in the unit is compared with the site's.

import { describe, expect, it } from 'vitest';
import type { SiteEvent } from '../event.ts';
import {
  aBatteryReading,
  aSite,
  flat,
  HOME,
  HOUR_S,
  raises,
  runSeries,
  seconds,
  series,
} from '../test-support.ts';
import { reserveSetting } from './reserve-setting.ts';

const site = aSite({ location: HOME });
const run = (events: readonly SiteEvent[]) => runSeries(site, reserveSetting, events);
describe('the setting of the reserve', () => {
  const set = (reservePct: number, fields = {}) =>
    run(series(HOUR_S, flat(60), flat(0), { reservePct, ...fields }));

  it.each([
    { reservePct: 20, raised: 0, why: 'as registered' },
    { reservePct: 20.9, raised: 0, why: 'rounded' },
    { reservePct: 21, raised: 1, why: 'a point more' },
    { reservePct: 19, raised: 1, why: 'a point less' },
    { reservePct: 4, raised: 1, why: 'below 5 %' },
  ])('$reservePct % for 20 %: $why', ({ reservePct, raised }) => {
    expect(raises(set(reservePct))).toHaveLength(raised);
  });

  it('waits for 10 min, so that a change can be finished', () => {
    expect(raises(set(30))).toEqual(['battery-1 600']);
    const changing = seconds(0, 4 * HOUR_S, 10).map((s) =>
      aBatteryReading(s, { reservePct: s < HOUR_S || s > HOUR_S + 590 ? 20 : 30 }),
    );
    expect(run(changing)).toEqual([]);
  });

  it('may be raised for a storm', () => {
    expect(set(100, { stormPreparing: true })).toEqual([]);
  });
});
