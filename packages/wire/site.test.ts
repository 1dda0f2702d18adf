// A site's settings: what may be left out, what is refused, and that each refusal names field and expectation.
import { describe, expect, it } from 'vitest';
import { type SiteInput, siteSchema } from './site.ts';

const LEAST: SiteInput = { id: 'cedar-lane-4', name: 'Cedar Lane 4', timeZone: 'America/Denver' };

/** The example of the public interface. */
const EXAMPLE: SiteInput = {
  id: 'cedar-lane-4',
  name: 'Cedar Lane 4',
  timeZone: 'America/Denver',
  location: { lat: 39.74, lon: -104.99, geocodes: [{ system: 'SAME', code: '008031' }] },
  service: { nominalVolts: 120, mainAmps: 200, otherGeneration: false },
  meter: { device: 'meter-1', periodSeconds: 5, accuracyPct: 1 },
  inlets: [
    { number: 1, leg: 'L1', capAmps: 15, capWatts: 1800, breakerAmps: 15, conductorAwg: 12, oneWayFeet: 40 },
  ],
  batteries: [
    {
      device: 'battery-1',
      inlet: 1,
      capacityWh: 3000,
      reservePct: 20,
      chargeLimitWatts: 1500,
      periodSeconds: 10,
    },
  ],
  tariff: {
    currency: 'USD',
    seasons: [
      {
        name: 'all year',
        from: '01-01',
        to: '12-31',
        weekday: [
          { period: 'off-peak', from: '00:00', to: '16:00' },
          { period: 'peak', from: '16:00', to: '21:00' },
          { period: 'off-peak', from: '21:00', to: '24:00' },
        ],
        weekend: [{ period: 'off-peak', from: '00:00', to: '24:00' }],
      },
    ],
    rates: { peak: 0.42, 'off-peak': 0.17 },
    holidays: ['2026-12-25'],
    offPeakDepthPct: 20,
  },
  storm: { enabled: true, targetPct: 100 },
};

const ALL_DAY = [{ period: 'peak', from: '00:00', to: '24:00' }] as const;

/** Every problem of a site that differs from the least one, as "path message". */
function problemsOf(changes: Record<string, unknown>): string[] {
  const parsed = siteSchema.safeParse({ ...LEAST, ...changes });
  if (parsed.success) return [];
  return parsed.error.issues.map(({ path, message }) => `${path.join('.')} ${message}`);
}

function tariffWith(changes: Record<string, unknown>) {
  const season = { name: 'all year', weekday: ALL_DAY };
  return { tariff: { seasons: [season], rates: { peak: 0.4 }, ...changes } };
}

describe('a site', () => {
  it('takes the published example as it stands', () => {
    expect(siteSchema.parse(EXAMPLE)).toMatchObject(EXAMPLE);
  });

  it('fills in what was left out, so that no field is open', () => {
    expect(siteSchema.parse(LEAST)).toEqual({
      ...LEAST,
      company: 'default',
      region: null,
      location: null,
      service: { nominalVolts: 120, mainAmps: 200, otherGeneration: false },
      meter: { device: 'meter-1', periodSeconds: 5, accuracyPct: 1 },
      inlets: [
        {
          number: 1,
          leg: 'L1',
          capAmps: 15,
          capWatts: 1800,
          breakerAmps: 15,
          conductorAwg: 12,
          oneWayFeet: 40,
          breaker: null,
        },
      ],
      batteries: [],
      tariff: null,
      storm: { enabled: true, targetPct: 100 },
      thresholds: {},
    });
    expect(siteSchema.parse({ ...LEAST, batteries: [{ device: 'battery-1' }] }).batteries).toEqual([
      {
        device: 'battery-1',
        inlet: 1,
        capacityWh: 3000,
        reservePct: 20,
        chargeLimitWatts: 1500,
        periodSeconds: 10,
      },
    ]);
    expect(siteSchema.parse({ ...LEAST, ...tariffWith({}) }).tariff).toEqual({
      currency: 'USD',
      seasons: [{ name: 'all year', from: '01-01', to: '12-31', weekday: ALL_DAY, weekend: ALL_DAY }],
      rates: { peak: 0.4 },
      holidays: [],
      offPeakDepthPct: 20,
    });
  });

  it('parses what it has filled in to the same', () => {
    const site = siteSchema.parse(EXAMPLE);
    expect(siteSchema.parse(site)).toEqual(site);
  });

  const refused: { why: string; changes: Record<string, unknown>; problem: RegExp }[] = [
    { why: 'an id with capitals', changes: { id: 'Cedar' }, problem: /^id must be 1 to 63 lower-case/ },
    { why: 'an id of 64 characters', changes: { id: 'a'.repeat(64) }, problem: /^id must be 1 to 63/ },
    { why: 'no name', changes: { name: '' }, problem: /^name must not be empty/ },
    {
      why: 'a name with a line break',
      changes: { name: 'Cedar\nLane' },
      problem: /^name .*control characters/,
    },
    {
      why: 'a time zone that there is not',
      changes: { timeZone: 'Mars/Olympus' },
      problem: /^timeZone must be an IANA time zone/,
    },
    {
      why: 'an offset, which knows no DST',
      changes: { timeZone: '-07:00' },
      problem: /^timeZone must be an IANA/,
    },
    {
      why: 'a misspelt field',
      changes: { metre: {} },
      problem: /must not have "metre": its fields are id, name/,
    },
    {
      why: 'a misspelt field within',
      changes: { meter: { period: 5 } },
      problem: /^meter must not have "period": its fields are device/,
    },
    {
      why: 'a pole beyond the pole',
      changes: { location: { lat: 91, lon: 0 } },
      problem: /^location\.lat must be at most 90 degrees/,
    },
    {
      why: 'a number as text',
      changes: { service: { mainAmps: '200' } },
      problem: /^service\.mainAmps must be a number of amperes/,
    },
    { why: 'no inlet', changes: { inlets: [] }, problem: /^inlets must have 1 or 2/ },
    {
      why: 'three inlets',
      changes: { inlets: [{}, { number: 2 }, {}] },
      problem: /^inlets must have 1 or 2/,
    },
    { why: 'inlet 3', changes: { inlets: [{ number: 3 }] }, problem: /^inlets\.0\.number must be 1 or 2/ },
    {
      why: 'the same inlet twice',
      changes: { inlets: [{}, {}] },
      problem: /^inlets\.1\.number .*inlet 1 is given twice/,
    },
    { why: 'a leg L3', changes: { inlets: [{ leg: 'L3' }] }, problem: /^inlets\.0\.leg must be L1 or L2/ },
    {
      why: '11 AWG',
      changes: { inlets: [{ conductorAwg: 11 }] },
      problem: /^inlets\.0\.conductorAwg must be 14, 12/,
    },
    {
      why: 'a battery on an inlet that there is not',
      changes: { batteries: [{ device: 'b', inlet: 2 }] },
      problem: /^batteries\.0\.inlet .*there is no inlet 2/,
    },
    {
      why: 'two batteries of one device',
      changes: { batteries: [{ device: 'b' }, { device: 'b' }] },
      problem: /^batteries\.1\.device .*b is given twice/,
    },
    {
      why: 'five batteries',
      changes: { batteries: ['a', 'b', 'c', 'd', 'e'].map((device) => ({ device })) },
      problem: /^batteries must have at most 4/,
    },
    {
      why: 'a reserve below 5 %',
      changes: { batteries: [{ device: 'b', reservePct: 4.9 }] },
      problem: /^batteries\.0\.reservePct must be at least 5/,
    },
    {
      why: 'a threshold that is no number',
      changes: { thresholds: { 'open-neutral': { a: 'b' } } },
      problem: /^thresholds\.open-neutral\.a must be a number/,
    },
    {
      why: 'a period that there is not',
      changes: tariffWith({
        seasons: [{ name: 'x', weekday: [{ period: 'noon', from: '00:00', to: '24:00' }] }],
      }),
      problem: /^tariff\.seasons\.0\.weekday\.0\.period must be one of peak/,
    },
    {
      why: 'a used period without a rate',
      changes: tariffWith({ rates: {} }),
      problem: /^tariff\.rates\.peak must be given/,
    },
    {
      why: 'a rate of no period',
      changes: tariffWith({ rates: { peak: 1, noon: 1 } }),
      problem: /^tariff\.rates/,
    },
    {
      why: 'a holiday that is no date',
      changes: tariffWith({ holidays: ['2026-02-30'] }),
      problem: /^tariff\.holidays\.0 must be a date/,
    },
    {
      why: 'a currency sign',
      changes: tariffWith({ currency: '$' }),
      problem: /^tariff\.currency must be an ISO 4217/,
    },
  ];
  it.each(refused)('refuses $why', ({ changes, problem }) => {
    expect(problemsOf(changes).join('\n')).toMatch(problem);
  });

  it('may have two inlets on one breaker', () => {
    const inlets = [{ breaker: 'B7' }, { number: 2, leg: 'L2', breaker: 'B7' }];
    expect(problemsOf({ inlets, batteries: [{ device: 'b', inlet: 2 }] })).toEqual([]);
  });

  it('may have a device that is meter and battery', () => {
    expect(problemsOf({ meter: { device: 'hub' }, batteries: [{ device: 'hub' }] })).toEqual([]);
  });
});

describe('the day of a tariff', () => {
  const day = (...spans: [from: string, to: string][]) =>
    problemsOf(
      tariffWith({
        seasons: [{ name: 'x', weekday: spans.map(([from, to]) => ({ period: 'peak', from, to })) }],
      }),
    ).join('\n');

  it.each([
    [[['00:00', '24:00']]],
    [
      [
        ['00:00', '16:00'],
        ['16:00', '21:30'],
        ['21:30', '24:00'],
      ],
    ],
  ] as [[string, string][]][])('is covered by %j', (spans) => {
    expect(day(...spans)).toBe('');
  });

  const faults: { why: string; spans: [string, string][]; problem: RegExp }[] = [
    {
      why: 'a gap',
      spans: [
        ['00:00', '16:00'],
        ['17:00', '24:00'],
      ],
      problem: /weekday\.1\.from must be 16:00/,
    },
    {
      why: 'an overlap',
      spans: [
        ['00:00', '16:00'],
        ['15:00', '24:00'],
      ],
      problem: /weekday\.1\.from must be 16:00/,
    },
    { why: 'a late start', spans: [['01:00', '24:00']], problem: /weekday\.0\.from must be 00:00/ },
    { why: 'an early end', spans: [['00:00', '23:59']], problem: /weekday\.0\.to must be 24:00/ },
    {
      why: 'a span backwards',
      spans: [['00:00', '00:00']],
      problem: /weekday\.0\.to must be later than 00:00/,
    },
    {
      why: 'a time past midnight',
      spans: [['00:00', '24:30']],
      problem: /weekday\.0\.to must be a time of day/,
    },
    { why: 'nothing', spans: [], problem: /weekday must have at least one span/ },
  ];
  it.each(faults)('is not covered with $why', ({ spans, problem }) => {
    expect(day(...spans)).toMatch(problem);
  });
});

describe('the seasons of a tariff', () => {
  const seasons = (...spans: [from: string, to: string][]) =>
    problemsOf(
      tariffWith({
        seasons: spans.map(([from, to], i) => ({ name: `s${i + 1}`, from, to, weekday: ALL_DAY })),
      }),
    ).join('\n');

  it('may run over the end of the year', () => {
    expect(seasons(['06-01', '09-30'], ['10-01', '05-31'])).toBe('');
  });

  it('may end on 29 February, which only leap years have', () => {
    expect(seasons(['11-01', '02-29'], ['03-01', '10-31'])).toBe('');
  });

  const faults: { why: string; spans: [string, string][]; problem: RegExp }[] = [
    {
      why: 'a gap',
      spans: [
        ['06-01', '09-30'],
        ['10-02', '05-31'],
      ],
      problem: /tariff\.seasons .*10-01 lies in no season/,
    },
    {
      why: 'an overlap',
      spans: [
        ['06-01', '10-01'],
        ['10-01', '05-31'],
      ],
      problem: /10-01 lies in s1 and in s2/,
    },
    { why: 'no 29 February', spans: [['03-01', '02-28']], problem: /02-29 lies in no season/ },
    {
      why: 'a day that there is not',
      spans: [['02-30', '12-31']],
      problem: /from must be a day of the year/,
    },
  ];
  it.each(faults)('do not fit with $why', ({ spans, problem }) => {
    expect(seasons(...spans)).toMatch(problem);
  });
});
