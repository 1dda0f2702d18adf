// A device that is not heard is named after the longer of 5 min and five of its usual periods, from its last
// reading on; one that sends seldom is not.

import { describe, expect, it } from 'vitest';
import { startEngine } from '../engine.ts';
import type { SiteEvent } from '../event.ts';
import {
  aBatteryReading,
  aDeviceState,
  aMeterReading,
  aSite,
  clears,
  raises,
  runSeries,
  START_MS,
  seconds,
} from '../test-support.ts';
import { deviceSilent } from './device-silent.ts';

const site = aSite();
const run = (events: readonly SiteEvent[]) => runSeries(site, deviceSilent, events);
const meter = (fromS: number, toS: number) => seconds(fromS, toS, 5).map((s) => aMeterReading(s));
const battery = (fromS: number, toS: number, step = 10) =>
  seconds(fromS, toS, step).map((s) => aBatteryReading(s));

describe('a device that falls silent', () => {
  it('is raised after 5 min, the fault beginning with its last reading', () => {
    const transitions = run([...meter(0, 3600), ...battery(0, 610)]);
    const [raised] = transitions;
    if (raised?.type !== 'raised') throw new Error('nothing was raised');
    expect(raised).toMatchObject({ kind: 'device-silent', subject: 'battery-1' });
    expect(raised.onsetMs).toBe(START_MS + 600_000);
    expect((raised.detectedMs - raised.onsetMs) / 60_000).toBeGreaterThan(5);
    expect((raised.detectedMs - raised.onsetMs) / 60_000).toBeLessThanOrEqual(5.5);
  });

  it('is not raised at a gap of 5 min', () => {
    expect(run([...meter(0, 3600), ...battery(0, 610), ...battery(900, 3600)])).toEqual([]);
  });

  it('clears when it is heard again', () => {
    const transitions = run([...meter(0, 3600), ...battery(0, 610), ...battery(1800, 3600)]);
    expect(clears(transitions)).toEqual(['battery-1 1860']);
  });

  it('is found for every device when the whole site falls silent, by time alone', () => {
    const engine = startEngine(site, undefined, [deviceSilent]);
    for (const event of [aMeterReading(0), aBatteryReading(3)]) engine.step(event);
    expect(raises(engine.passTime(START_MS + 600_000)).map((text) => text.split(' ')[0])).toEqual([
      'meter-1',
      'battery-1',
    ]);
  });
});

describe('a device that sends seldom', () => {
  it('is given five of the periods it promises (SenML ut)', () => {
    const promised = seconds(0, 7200, 600).map((s) => aBatteryReading(s, { periodS: 600 }));
    expect(run([...meter(0, 9600), ...promised])).toEqual([]);
    expect(raises(run([...meter(0, 10_800), ...promised]))).toEqual(['battery-1 9630']);
  });

  it('is given five of the gaps it has shown, whatever it is registered with', () => {
    const learned = battery(0, 20 * 240, 240);
    expect(run([...meter(0, 4560 + 1190), ...learned])).toEqual([]);
    expect(raises(run([...meter(0, 4560 + 1300), ...learned]))).toHaveLength(1);
  });
});

describe('a connection that breaks', () => {
  const will = aDeviceState(605, { online: false });

  it('is given 2 min to come back', () => {
    expect(raises(run([...meter(0, 1800), ...battery(0, 610), will]))).toEqual(['battery-1 750']);
  });

  it('is forgotten at the next reading', () => {
    expect(run([...meter(0, 1800), ...battery(0, 610), will, ...battery(710, 1800)])).toEqual([]);
  });

  it('is not taken from an old Will that comes while the device reports', () => {
    expect(run([...meter(0, 1800), ...battery(0, 1800), will])).toEqual([]);
  });
});

describe('a registered device that was never heard', () => {
  it('is silent once another has reported for 15 min', () => {
    expect(run(meter(0, 900))).toEqual([]);
    expect(raises(run(meter(0, 1800)))).toEqual(['battery-1 930']);
  });

  it('is not missed where nothing of the site was ever heard', () => {
    const engine = startEngine(site, undefined, [deviceSilent]);
    engine.passTime(START_MS);
    expect(engine.passTime(START_MS + 86_400_000)).toEqual([]);
  });
});

describe('what is no silence', () => {
  it.each([
    { why: 'a firmware update of 4 min', events: [...battery(0, 1800), ...battery(2040, 3600)] },
    {
      why: 'a device that reports every 5 min and says so',
      events: seconds(0, 7200, 300).map((s) => aBatteryReading(s, { periodS: 300 })),
    },
    { why: 'every second reading lost', events: battery(0, 3600, 20) },
  ])('$why', ({ events }) => {
    expect(run([...meter(0, 3600), ...events]).filter(({ atMs }) => atMs < START_MS + 3_600_000)).toEqual([]);
  });
});
