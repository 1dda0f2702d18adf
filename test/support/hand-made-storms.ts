// Storms: told over HTTP as CAP messages, judged by the readings of homes written out by hand.

import { aCase, type Case, expected } from './hand-made-faults.ts';
import { aHouse } from './hand-made-home.ts';

/** A county of its own for each case, so that its storm is nobody else's (47 CFR 11.31: PSSCCC). */
const inCounty = (sameCode: string) => ({
  location: { lat: 39.74, lon: -104.99, geocodes: [{ system: 'SAME', code: sameCode }] },
});
const idle = () => aHouse({ batteryW: () => 0 });

const COMES_AT_12 = { sentHour: 2, onsetHour: 12 };
const TOLD_IN_TIME = { ...COMES_AT_12, identifier: 'moved-up', sameCode: '008003' };

export const STORM_FAULTS: readonly Case[] = [
  aCase('a storm comes and the battery stands idle', {
    hours: 6,
    faultFrom: 2,
    expected: [expected('storm-charge-stalled', 'battery-1', 'high', 12 * 60)],
    site: inCounty('008001'),
    storms: [{ ...COMES_AT_12, identifier: 'idle', sameCode: '008001' }],
    house: idle,
  }),
  aCase('a storm comes and the battery stands idle for two hours', {
    hours: 8,
    faultFrom: 2,
    expected: [expected('storm-charge-stalled', 'battery-1', 'high', 12 * 60, true)],
    site: inCounty('008002'),
    storms: [{ ...COMES_AT_12, identifier: 'idle-at-first', sameCode: '008002' }],
    house: (hour) => aHouse({ batteryW: (at, _, soc) => (hour(at) >= 4 && soc < 99.5 ? 900 : 0) }),
  }),
  aCase('a storm that is moved up while the battery charges slowly', {
    hours: 5,
    faultFrom: 3,
    // 1.1 kWh are missing at the third hour: with 300 W they take more than three hours, and there is half of that.
    // At its onset the preparation is over, and the incident with it.
    expected: [expected('storm-charge-behind', 'battery-1', 'high', 20 * 60, true)],
    site: inCounty('008003'),
    storms: [
      TOLD_IN_TIME,
      {
        identifier: 'moved-up-2',
        sameCode: '008003',
        sentHour: 3,
        onsetHour: 4.5,
        msgType: 'Update',
        changes: TOLD_IN_TIME,
      },
    ],
    house: (hour) => aHouse({ batteryW: (at) => (hour(at) >= 2.05 ? 300 : 0) }),
  }),
  aCase('a storm comes and the battery feeds the house', {
    hours: 5,
    faultFrom: 2,
    expected: [expected('storm-discharging', 'battery-1', 'high', 12 * 60)],
    site: inCounty('008004'),
    storms: [{ ...COMES_AT_12, identifier: 'feeds', sameCode: '008004' }],
    house: (hour) => aHouse({ batteryW: (at) => (hour(at) >= 1 ? -250 : 0) }),
  }),
];

const CALLED_OFF = { ...COMES_AT_12, identifier: 'called-off', sameCode: '008011' };

export const STORM_QUIET: readonly Case[] = [
  aCase('a storm is called off after five minutes', {
    hours: 6,
    site: inCounty('008011'),
    storms: [
      CALLED_OFF,
      { ...CALLED_OFF, identifier: 'called-off-2', sentHour: 2.08, msgType: 'Cancel', changes: CALLED_OFF },
    ],
    house: idle,
  }),
  aCase('a storm in the next county', {
    hours: 6,
    site: inCounty('008012'),
    storms: [{ ...COMES_AT_12, identifier: 'elsewhere', sameCode: '008013' }],
    house: idle,
  }),
  aCase('a test of the warning system', {
    hours: 6,
    site: inCounty('008014'),
    storms: [{ ...COMES_AT_12, identifier: 'a-test', sameCode: '008014', status: 'Test' }],
    house: idle,
  }),
  aCase('a storm comes and the battery is full', {
    hours: 6,
    site: inCounty('008015'),
    storms: [{ ...COMES_AT_12, identifier: 'full', sameCode: '008015' }],
    house: () => aHouse({ startSocPct: 100, batteryW: () => 0 }),
  }),
  aCase('a storm comes and the battery charges at once, with the taper of every charge', {
    hours: 6,
    site: inCounty('008016'),
    storms: [{ ...COMES_AT_12, identifier: 'charges', sameCode: '008016' }],
    house: (hour) =>
      aHouse({
        batteryW: (at, _, soc) =>
          hour(at) < 2.02 ? 0 : soc < 90 ? 1_200 : soc < 99.9 ? Math.max(60, 120 * (100 - soc)) : 0,
      }),
  }),
  aCase('a storm comes, and the outage before it', {
    hours: 6,
    site: inCounty('008017'),
    storms: [{ ...COMES_AT_12, identifier: 'outage', sameCode: '008017' }],
    house: (hour) => aHouse({ batteryW: () => 0, gridPresent: (at) => hour(at) < 2.1 }),
  }),
];
