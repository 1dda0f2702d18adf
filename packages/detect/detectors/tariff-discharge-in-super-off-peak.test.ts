// Feeding while power is cheapest is named, an outage is not.

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
import { tariffDischargeInSuperOffPeak } from './tariff-discharge-in-super-off-peak.ts';

const site = aSiteUnderTariff();
const run = (events: readonly SiteEvent[]) => runSeries(site, tariffDischargeInSuperOffPeak, events);
/** As long as it takes to move this energy at 600 W. */
const forWh = (wh: number) => (wh / 600) * HOUR_S;

describe('feeding in the super off-peak', () => {
  const night = (wh: number) => [{ from: phoenixHour(1, 1), to: phoenixHour(1, 1) + forWh(wh), acW: -600 }];

  it('is raised beyond 100 Wh, not short of it', () => {
    expect(raises(run(aScheduledBattery(2, night(110))))).toHaveLength(1);
    expect(run(aScheduledBattery(2, night(90)))).toEqual([]);
  });

  it('is none in an outage', () => {
    const dark = aScheduledBattery(2, night(600), { gridPresent: false });
    expect(run(dark)).toEqual([]);
  });
});
