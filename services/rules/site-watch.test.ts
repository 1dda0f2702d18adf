// A site whose registration changes while a storm alert is in force: it prepares by what is registered now.

import type { StormMessage } from '@afterwatt/detect';
import { parseCap } from '@afterwatt/storm';
import { emptyBatteryReading, type Site, type SiteInput, siteSchema } from '@afterwatt/wire';
import { describe, expect, it } from 'vitest';
import { capMessage } from '../../test/support/cap-message.ts';
import { parseSaved, type SiteWatch, watchSite } from './site-watch.ts';

const START_S = Date.UTC(2026, 2, 2, 12) / 1000;
const HOME = { lat: 39.74, lon: -104.99, geocodes: [{ system: 'SAME', code: '008031' }] };
const ELSEWHERE = { lat: 30.27, lon: -97.74, geocodes: [{ system: 'SAME', code: '048453' }] };

function site(registered: Partial<SiteInput>): Site {
  const batteries = [{ device: 'battery-1', inlet: 1, capacityWh: 3000, periodSeconds: 10 }];
  return siteSchema.parse({ id: 'a', name: 'a', timeZone: 'America/Denver', batteries, ...registered });
}

function alert(): StormMessage {
  const storm = { identifier: 'a-storm', sentHour: 0.1, onsetHour: 8, sameCode: '008031' };
  const parsed = parseCap(capMessage(storm, START_S));
  if (!parsed.ok) throw new Error('the warning is not CAP');
  return { kind: 'storm', at: parsed.alert.sentMs, alert: parsed.alert };
}

const watch = (registered: Partial<SiteInput>, before?: SiteWatch) =>
  watchSite({
    siteNo: 1,
    site: site(registered),
    tx: 0,
    saved: before === undefined ? undefined : parseSaved(JSON.parse(JSON.stringify(before.save()))),
    alerts: [alert()],
    isChanged: before !== undefined,
  });

/** What of storms is raised and cleared while its battery stands idle at 60 %, minutes from the start. */
function standIdle(watched: SiteWatch, fromMin: number, toMin: number): string[] {
  const kinds: string[] = [];
  for (let s = START_S + 60 * fromMin; s < START_S + 60 * toMin; s += 10) {
    const reading = { ...emptyBatteryReading('battery-1', s * 1000), socPct: 60, acW: 0, gridPresent: true };
    const found = [...watched.accept({ readings: [reading], others: [] }), ...watched.pulse(s * 1000)];
    for (const { transition } of found) kinds.push(`${transition.type} ${transition.kind}`);
  }
  return kinds.filter((kind) => kind.includes('storm') && !kind.startsWith('updated'));
}

describe('while a storm alert is in force', () => {
  it('a site that turns out to lie in its area prepares', () => {
    const before = watch({ location: ELSEWHERE });
    expect(standIdle(before, 0, 60)).toEqual([]);
    expect(standIdle(watch({ location: HOME }, before), 60, 90)).toEqual(['raised storm-charge-stalled']);
  });

  it('a site that turns out to lie elsewhere does not', () => {
    const before = watch({ location: HOME });
    expect(standIdle(before, 0, 60)).toEqual(['raised storm-charge-stalled']);
    expect(standIdle(watch({ location: ELSEWHERE }, before), 60, 90)).toEqual([
      'cleared storm-charge-stalled',
    ]);
  });

  it('a site prepares once preparing is turned on', () => {
    const before = watch({ location: HOME, storm: { enabled: false } });
    expect(standIdle(before, 0, 60)).toEqual([]);
    expect(standIdle(watch({ location: HOME }, before), 60, 90)).toEqual(['raised storm-charge-stalled']);
  });
});
