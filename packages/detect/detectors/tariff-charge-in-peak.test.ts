// Charging in the peak is named in the peak in which it happens, once, until a peak goes well.

import { describe, expect, it } from 'vitest';
import type { SiteEvent } from '../event.ts';
import {
  aMeterReading,
  aScheduledBattery,
  aSite,
  aSiteUnderTariff,
  aStormMessage,
  clears,
  DAY_S,
  HOUR_S,
  phoenixHour,
  raises,
  runSeries,
  START_MS,
  seconds,
  TARIFF,
} from '../test-support.ts';
import { tariffChargeInPeak } from './tariff-charge-in-peak.ts';

const site = aSiteUnderTariff();
const run = (events: readonly SiteEvent[], on = site) => runSeries(on, tariffChargeInPeak, events);
/** As long as it takes to move this energy at 600 W. */
const forWh = (wh: number) => (wh / 600) * HOUR_S;

describe('charging in the peak', () => {
  it.each([
    { wh: 110, raised: 1, why: 'beyond 100 Wh' },
    { wh: 90, raised: 0, why: 'short of 100 Wh' },
  ])('$wh Wh: $why', ({ wh, raised }) => {
    const peak = [{ from: phoenixHour(17), to: phoenixHour(17) + forWh(wh), acW: 600 }];
    expect(raises(run(aScheduledBattery(1, peak)))).toHaveLength(raised);
  });

  it('is one incident while it comes back every day, and clears after a peak without it', () => {
    const days = [0, 1, 2].map((day) => ({ from: phoenixHour(17, day), to: phoenixHour(18, day), acW: 600 }));
    const transitions = run(aScheduledBattery(5, days));
    expect(raises(transitions)).toHaveLength(1);
    expect(clears(transitions)).toEqual([`battery-1 ${phoenixHour(21, 3)}`]);
  });

  it('counts each peak for itself', () => {
    const days = [0, 1, 2].map((day) => ({
      from: phoenixHour(17, day),
      to: phoenixHour(17, day) + forWh(70),
      acW: 600,
    }));
    expect(run(aScheduledBattery(4, days))).toEqual([]);
  });

  const charging = aScheduledBattery(1, [{ from: phoenixHour(17), to: phoenixHour(19), acW: 600 }]);
  it.each([
    { why: 'a storm is prepared for', events: [aStormMessage({ sentS: 0 }), ...charging] },
    {
      why: 'the unit says that it prepares for a storm',
      events: aScheduledBattery(1, [{ from: phoenixHour(17), to: phoenixHour(19), acW: 600 }], {
        stormPreparing: true,
      }),
    },
    {
      why: 'it comes back up to its reserve',
      events: aScheduledBattery(1, [{ from: phoenixHour(17), to: phoenixHour(19), acW: 600 }], {
        socPct: 19,
      }),
    },
    {
      why: 'it is standby',
      events: aScheduledBattery(1, [{ from: phoenixHour(16), to: phoenixHour(21), acW: 29 }]),
    },
    {
      why: 'it is off-peak',
      events: aScheduledBattery(1, [{ from: phoenixHour(21), to: phoenixHour(23), acW: 600 }]),
    },
  ])('is none when $why', ({ events }) => {
    expect(run(events)).toEqual([]);
  });

  it('is none when the power comes from the own roof', () => {
    const sunny = aSite({ tariff: TARIFF, service: { otherGeneration: true } });
    const meter = (l1W: number) => seconds(0, DAY_S, 30).map((s) => aMeterReading(s, { l1W, l2W: 100 }));
    expect(run([...charging, ...meter(-500)], sunny)).toEqual([]);
    expect(raises(run([...charging, ...meter(900)], sunny))).toHaveLength(1);
  });

  // 8 March 2026, 2:00: the clock of Denver goes forward (45 CFR and IANA tzdata: second Sunday in March).
  it.each([
    { from: '2026-03-08T22:15:00Z', raised: 1, why: '16:15 by the new time' },
    { from: '2026-03-09T03:15:00Z', raised: 0, why: '21:15 by the new time, 20:15 by the old' },
    { from: '2026-03-07T23:15:00Z', raised: 1, why: '16:15 by the old time, the day before' },
  ])('keeps the time of the site through a change of daylight saving time: $why', ({ from, raised }) => {
    const denver = aSite({ tariff: TARIFF, timeZone: 'America/Denver' });
    const fromS = (Date.parse(from) - START_MS) / 1000;
    const charged = aScheduledBattery(8, [{ from: fromS, to: fromS + forWh(250), acW: 600 }]);
    expect(raises(run(charged, denver))).toHaveLength(raised);
  });

  const flat = [{ period: 'off-peak', from: '00:00', to: '24:00' }] as const;
  const [season] = TARIFF.seasons;
  it.each([
    {
      why: 'a holiday, which follows the weekend',
      tariff: {
        ...TARIFF,
        seasons: [{ name: 'all year', weekday: season?.weekday ?? [], weekend: [...flat] }],
        holidays: ['2026-03-03'],
      },
    },
    {
      why: 'a season without a peak',
      tariff: {
        ...TARIFF,
        seasons: [
          { name: 'summer', from: '06-01', to: '09-30', weekday: season?.weekday ?? [] },
          { name: 'winter', from: '10-01', to: '05-31', weekday: [...flat], weekend: [...flat] },
        ],
      },
    },
  ])('knows $why', ({ tariff }) => {
    const tuesday = aScheduledBattery(2, [{ from: phoenixHour(17, 1), to: phoenixHour(19, 1), acW: 600 }]);
    expect(run(tuesday, aSite({ tariff, timeZone: 'America/Phoenix' }))).toEqual([]);
    expect(raises(run(tuesday))).toHaveLength(1);
  });

  it('is not asked of a site without a tariff', () => {
    expect(tariffChargeInPeak.subjects(aSite())).toEqual([]);
  });
});
