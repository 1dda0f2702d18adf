// Feeding more than the site allows in one off-peak period is named, in the tariff's own periods.

import { describe, expect, it } from 'vitest';
import type { SiteEvent } from '../event.ts';
import {
  aScheduledBattery,
  aSiteUnderTariff,
  HOUR_S,
  phoenixHour,
  raises,
  runSeries,
} from '../test-support.ts';
import { tariffOffPeakDepth } from './tariff-off-peak-depth.ts';

const site = aSiteUnderTariff();
const run = (events: readonly SiteEvent[]) => runSeries(site, tariffOffPeakDepth, events);
/** As long as it takes to move this energy at 600 W. */
const forWh = (wh: number) => (wh / 600) * HOUR_S;

describe('feeding off-peak', () => {
  // 20 % of 3000 Wh are allowed in one off-peak period, with a margin of 1 %.
  const day = (wh: number) => [{ from: phoenixHour(7, 1), to: phoenixHour(7, 1) + forWh(wh), acW: -600 }];

  it.each([
    { wh: 650, raised: 1, why: '21.7 %' },
    { wh: 600, raised: 0, why: '20 %' },
  ])('$wh Wh of 3000: $why', ({ wh, raised }) => {
    expect(raises(run(aScheduledBattery(2, day(wh))))).toHaveLength(raised);
  });

  it('counts the hours before and after midnight as the tariff does', () => {
    // Off-peak from 21:00 to 24:00 and from 6:00 to 16:00 are two periods here.
    const both = [
      { from: phoenixHour(22), to: phoenixHour(22) + forWh(500), acW: -600 },
      { from: phoenixHour(7, 1), to: phoenixHour(7, 1) + forWh(500), acW: -600 },
    ];
    expect(run(aScheduledBattery(2, both))).toEqual([]);
  });
});
