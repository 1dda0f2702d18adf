// What ingest relies on: one reading a kind and time, every rule of the interface, the rest of a pack kept.
import { describe, expect, it } from 'vitest';
import { type DecodedReadings, decodeReadings } from './decode-readings.ts';
import {
  BATTERY_QUANTITIES,
  type BatteryReading,
  emptyBatteryReading,
  emptyMeterReading,
  METER_QUANTITIES,
  type MeterReading,
} from './reading.ts';
import type { SenmlRecord } from './senml.ts';
import { encodeCbor } from './senml-cbor.ts';
import { encodeJson } from './senml-json.ts';

const NOW = Date.UTC(2026, 2, 8, 9, 30);
const DAY_MS = 86_400_000;

function meter(at: number, values: Partial<MeterReading>): MeterReading {
  return { ...emptyMeterReading('device-1', at), ...values };
}

function battery(at: number, values: Partial<BatteryReading>): BatteryReading {
  return { ...emptyBatteryReading('device-1', at), ...values };
}

function decode(records: readonly SenmlRecord[], contentType?: string): DecodedReadings {
  return decodeReadings(encodeJson(records), contentType, NOW, 'device-1');
}

function accepted(decoded: DecodedReadings) {
  if (decoded.kind === 'refused') throw new Error(decoded.detail);
  return decoded;
}

describe('readings', () => {
  it('takes a meter reading with every quantity', () => {
    const pack: SenmlRecord[] = [
      { bn: 'urn:dev:mac:020000fffe000004:', bt: NOW / 1000, n: 'l1.v', u: 'V', v: 120.5, ut: 5 },
      { n: 'l2.v', u: 'V', v: 119.5 },
      { n: 'l1.i', u: 'A', v: 10 },
      { n: 'l2.i', u: 'A', v: 2.5 },
      { n: 'l1.p', u: 'W', v: 1200 },
      { n: 'l2.p', u: 'W', v: -300 },
      { n: 'l1.q', u: 'var', v: 40 },
      { n: 'l2.q', u: 'var', v: -40 },
      { n: 'f', u: 'Hz', v: 60.02 },
      { n: 'inlet1.i', u: 'A', v: 12 },
      { n: 'inlet1.p', u: 'W', v: 1440 },
      { n: 'inlet2.i', u: 'A', v: 1 },
      { n: 'inlet2.p', u: 'W', v: -120 },
      { n: 'import', u: 'Wh', v: 123456.7 },
      { n: 'export', u: 'Wh', v: 0 },
      { n: 'rssi', u: 'dBm', v: -61 },
      { n: 'seq', v: 4711 },
    ];
    const expected: MeterReading = {
      kind: 'meter',
      device: 'device-1',
      at: NOW,
      l1V: 120.5,
      l2V: 119.5,
      l1A: 10,
      l2A: 2.5,
      l1W: 1200,
      l2W: -300,
      l1Var: 40,
      l2Var: -40,
      frequencyHz: 60.02,
      inlet1A: 12,
      inlet1W: 1440,
      inlet2A: 1,
      inlet2W: -120,
      importWh: 123456.7,
      exportWh: 0,
      rssiDbm: -61,
      seq: 4711,
      periodS: 5,
    };
    expect(decode(pack)).toEqual({ kind: 'accepted', readings: [expected], refused: [] });
  });

  it('takes a battery reading with every quantity', () => {
    const pack: SenmlRecord[] = [
      { bn: 'battery-1/', bt: NOW / 1000, n: 'soc', u: '%EL', v: 81.5 },
      { n: 'ac.v', u: 'V', v: 121 },
      { n: 'ac.i', u: 'A', v: 8 },
      { n: 'ac.p', u: 'W', v: -960 },
      { n: 'pv.p', u: 'W', v: 300 },
      { n: 'temp', u: 'Cel', v: 24 },
      { n: 'grid', vb: false },
      { n: 'reserve', u: '%EL', v: 20 },
      { n: 'limit', u: 'W', v: 1500 },
      { n: 'storm', vb: true },
      { n: 'rssi', u: 'dBm', v: -58 },
      { n: 'seq', v: 12, ut: 10 },
    ];
    const expected: BatteryReading = {
      kind: 'battery',
      device: 'device-1',
      at: NOW,
      socPct: 81.5,
      acV: 121,
      acA: 8,
      acW: -960,
      pvW: 300,
      tempC: 24,
      gridPresent: false,
      reservePct: 20,
      limitW: 1500,
      stormPreparing: true,
      rssiDbm: -58,
      seq: 12,
      periodS: 10,
    };
    expect(decode(pack)).toEqual({ kind: 'accepted', readings: [expected], refused: [] });
  });

  it('makes one reading of each time of a backlog, in chronological order', () => {
    const pack: SenmlRecord[] = [
      { bn: 'm/', bt: NOW / 1000 - 60, n: 'l1.v', v: 120 },
      { n: 'l1.v', t: 10, v: 122 },
      { n: 'l1.v', t: 5, v: 121 },
      { n: 'l2.v', v: 119 },
      { n: 'seq', t: 10, v: 3 },
      { n: 'l2.v', t: 10, v: 118 },
    ];
    expect(decode(pack)).toEqual({
      kind: 'accepted',
      readings: [
        meter(NOW - 60_000, { l1V: 120, l2V: 119 }),
        meter(NOW - 55_000, { l1V: 121 }),
        meter(NOW - 50_000, { l1V: 122, l2V: 118, seq: 3 }),
      ],
      refused: [],
    });
  });

  it('counts relative times from arrival', () => {
    const { readings } = accepted(
      decode([
        { n: 'l1.v', v: 120 },
        { n: 'l1.v', t: -2.5, v: 121 },
      ]),
    );
    expect(readings).toEqual([meter(NOW - 2500, { l1V: 121 }), meter(NOW, { l1V: 120 })]);
  });

  it('gives signal strength and counter to every kind of reading that their time has', () => {
    const t = -10;
    const pack: SenmlRecord[] = [
      { n: 'seq', v: 1 },
      { n: 'seq', t, v: 2 },
      { n: 'l1.v', v: 120 },
      { n: 'soc', u: '%EL', v: 50 },
      { n: 'soc', u: '%EL', t, v: 51 },
    ];
    expect(accepted(decode(pack)).readings).toEqual([
      battery(NOW - 10_000, { socPct: 51, seq: 2 }),
      meter(NOW, { l1V: 120, seq: 1 }),
      battery(NOW, { socPct: 50, seq: 1 }),
    ]);
  });

  it('keeps the counter of a reading whose only measurement was refused', () => {
    const { readings, refused } = accepted(
      decode([
        { n: 'l1.v', u: 'V', v: 12_000 },
        { n: 'seq', v: 5 },
      ]),
    );
    expect(readings).toEqual([meter(NOW, { seq: 5 })]);
    expect(refused.map(({ reason }) => reason)).toEqual(['out-of-range']);
  });

  it('cannot tell whose counter it is from a counter alone', () => {
    const { readings, refused } = accepted(
      decode([
        { n: 'seq', v: 5 },
        { n: 'rssi', u: 'dBm', v: -60 },
      ]),
    );
    expect(readings).toEqual([]);
    expect(refused.map(({ name, reason }) => [name, reason])).toEqual([
      ['seq', 'no-kind'],
      ['rssi', 'no-kind'],
    ]);
  });

  it.each(['l1.v', 'm/l1.v', 'urn:dev:mac:020000fffe000004:l1.v', 'a:b/c:l1.v', '2001:db8::1/l1.v'])(
    'takes what follows the last / or : of the name %s',
    (n) => {
      expect(accepted(decode([{ n, u: 'V', v: 120 }])).readings).toEqual([meter(NOW, { l1V: 120 })]);
    },
  );

  it('lets the first of two values at one time stand, and tells of the other if it differs', () => {
    const pack: SenmlRecord[] = [
      { n: 'l1.v', v: 120 },
      { n: 'x/l1.v', v: 120 },
      { n: 'l1.v', v: 121 },
    ];
    const { readings, refused } = accepted(decode(pack));
    expect(readings).toEqual([meter(NOW, { l1V: 120 })]);
    expect(refused).toEqual([
      {
        reason: 'duplicate',
        name: 'l1.v',
        at: NOW,
        detail: 'The record "l1.v" must come once a time, it is 121 after 120 at the same time.',
      },
    ]);
  });
});

describe('units', () => {
  const cases: { why: string; record: SenmlRecord; values: Partial<MeterReading> }[] = [
    { why: 'V', record: { n: 'l1.v', u: 'V', v: 120.1 }, values: { l1V: 120.1 } },
    { why: 'mV', record: { n: 'l1.v', u: 'mV', v: 120_100 }, values: { l1V: 120.1 } },
    { why: 'mA', record: { n: 'l1.i', u: 'mA', v: 4310 }, values: { l1A: 4.31 } },
    { why: 'kW', record: { n: 'l1.p', u: 'kW', v: -1.8 }, values: { l1W: -1800 } },
    { why: 'kvar', record: { n: 'l1.q', u: 'kvar', v: 0.4 }, values: { l1Var: 400 } },
    { why: 'MHz', record: { n: 'f', u: 'MHz', v: 0.00006 }, values: { frequencyHz: 60 } },
    { why: 'kWh register', record: { n: 'import', u: 'kWh', v: 1234.567 }, values: { importWh: 1_234_567 } },
    { why: 'Wh register', record: { n: 'import', u: 'Wh', v: 1_234_567 }, values: { importWh: 1_234_567 } },
    { why: 'J register', record: { n: 'export', u: 'J', v: 36_000 }, values: { exportWh: 10 } },
    { why: 'none: the interface says V', record: { n: 'l1.v', v: 120.1 }, values: { l1V: 120.1 } },
    { why: 'a base unit', record: { bu: 'kW', n: 'l1.p', v: 1.5 }, values: { l1W: 1500 } },
  ];
  it.each(cases)('takes $why', ({ record, values }) => {
    for (const bver of [10, 26]) {
      expect(decode([{ ...record, bver }])).toEqual({
        kind: 'accepted',
        readings: [meter(NOW, values)],
        refused: [],
      });
    }
  });

  it('takes kelvin for degrees Celsius and dBW for dBm', () => {
    const { readings } = accepted(
      decode([
        { n: 'temp', u: 'K', v: 298.15 },
        { n: 'rssi', u: 'dBW', v: -101 },
      ]),
    );
    expect(readings).toEqual([battery(NOW, { tempC: 25, rssiDbm: -71 })]);
  });

  it('passes over the unit of what has none: a base unit is not meant for it', () => {
    const { readings, refused } = accepted(
      decode([
        { bu: 'W', n: 'ac.p', v: 900 },
        { n: 'grid', vb: true },
        { n: 'seq', v: 9 },
      ]),
    );
    expect(readings).toEqual([battery(NOW, { acW: 900, gridPresent: true, seq: 9 })]);
    expect(refused).toEqual([]);
  });
});

describe('what is set aside, and the rest of the pack kept', () => {
  const cases: { why: string; record: SenmlRecord; reason: string; detail: RegExp }[] = [
    {
      why: 'amperes for volts',
      record: { n: 'l1.v', u: 'A', v: 1 },
      reason: 'unit',
      detail: /units V, mV, not "A"/,
    },
    {
      why: 'apparent for active power',
      record: { n: 'l1.p', u: 'VA', v: 1 },
      reason: 'unit',
      detail: /W, kW/,
    },
    { why: 'a ratio for per cent', record: { n: 'soc', u: '%', v: 0.5 }, reason: 'unit', detail: /%EL/ },
    {
      why: 'seconds of battery for per cent (RFC 8428: EL)',
      record: { n: 'soc', u: 'EL', v: 50 },
      reason: 'unit',
      detail: /%EL/,
    },
    {
      why: 'a unit no registry has',
      record: { n: 'l1.v', u: 'volt', v: 1 },
      reason: 'unit',
      detail: /"volt"/,
    },
    {
      why: 'a negative RMS current',
      record: { n: 'l1.i', u: 'A', v: -1 },
      reason: 'out-of-range',
      detail: /0 to 1000 A, not -1 A/,
    },
    {
      why: 'a state of charge above 100',
      record: { n: 'soc', u: '%EL', v: 100.5 },
      reason: 'out-of-range',
      detail: /0 to 100 %EL/,
    },
    {
      why: '12 kV on a leg',
      record: { n: 'l1.v', u: 'V', v: 12_000 },
      reason: 'out-of-range',
      detail: /0 to 400 V/,
    },
    {
      why: 'volts that are out of range only once converted',
      record: { n: 'l1.i', u: 'A', bv: 900, v: 101 },
      reason: 'out-of-range',
      detail: /1001 A/,
    },
    { why: 'half a count', record: { n: 'seq', v: 1.5 }, reason: 'out-of-range', detail: /whole number/ },
    { why: 'a count beyond 2^53', record: { n: 'seq', v: 2 ** 53 }, reason: 'out-of-range', detail: /seq/ },
    {
      why: 'a boolean for a number',
      record: { n: 'l1.v', vb: true },
      reason: 'value-type',
      detail: /must have a number as value \(v\), not the boolean true/,
    },
    {
      why: 'text for a number',
      record: { n: 'l1.v', vs: '120' },
      reason: 'value-type',
      detail: /the string "120"/,
    },
    {
      why: 'a sum for a value',
      record: { n: 'l1.p', u: 'W', s: 12 },
      reason: 'value-type',
      detail: /only the sum 12/,
    },
    {
      why: 'a number for a boolean',
      record: { n: 'grid', v: 1 },
      reason: 'value-type',
      detail: /boolean value \(vb\), not the number 1/,
    },
    {
      why: 'an unknown quantity of a leg',
      record: { n: 'm/l1.thd', u: '/', v: 0.02 },
      reason: 'unknown-quantity',
      detail: /m\/l1\.thd/,
    },
    {
      why: 'an unknown quantity',
      record: { n: 'm/humidity', u: '%RH', v: 40 },
      reason: 'unknown-quantity',
      detail: /humidity/,
    },
    {
      why: 'a leg that there is not',
      record: { n: 'l3.v', u: 'V', v: 120 },
      reason: 'unknown-quantity',
      detail: /l3\.v/,
    },
    {
      why: 'the label of the period as a name',
      record: { n: 'ut', v: 5 },
      reason: 'unknown-quantity',
      detail: /"ut"/,
    },
    {
      why: 'an inherited property as a name',
      record: { n: 'constructor', v: 5 },
      reason: 'unknown-quantity',
      detail: /constructor/,
    },
    {
      why: 'older than 400 days',
      record: { n: 'l1.v', t: (NOW - 400 * DAY_MS) / 1000 - 1, v: 120 },
      reason: 'too-old',
      detail: /400 days/,
    },
    {
      why: '14 years old',
      record: { n: 'l1.v', t: 1_320_067_464, v: 120 },
      reason: 'too-old',
      detail: /400 days/,
    },
    {
      why: 'more than a day ahead',
      record: { n: 'l1.v', t: DAY_MS / 1000 + 1, v: 120 },
      reason: 'too-far-ahead',
      detail: /1 day/,
    },
    {
      why: 'milliseconds for seconds',
      record: { n: 'l1.v', t: NOW, v: 120 },
      reason: 'too-far-ahead',
      detail: /1 day/,
    },
    {
      why: 'a time beyond all dates',
      record: { n: 'l1.v', t: 1e300, v: 120 },
      reason: 'too-far-ahead',
      detail: /1 day/,
    },
    {
      why: 'a time before all dates',
      record: { n: 'l1.v', t: -1e300, v: 120 },
      reason: 'too-old',
      detail: /400 days/,
    },
    {
      why: 'a name that is none',
      record: { n: '\u0000\ud800', v: 1 },
      reason: 'name',
      detail: /^[^\p{Cc}\p{Cs}]+$/u,
    },
  ];
  it.each(cases)('$why', ({ record, reason, detail }) => {
    const good: SenmlRecord[] = [
      { n: 'l2.v', u: 'V', v: 119 },
      { n: 'f', u: 'Hz', v: 60 },
    ];
    const decoded = accepted(decode([...good.slice(0, 1), record, { bv: 0, ...good[1] }]));
    expect(decoded.readings).toContainEqual(meter(NOW, { l2V: 119, frequencyHz: 60 }));
    expect(decoded.refused).toHaveLength(1);
    expect(decoded.refused[0]).toMatchObject({ reason });
    expect(decoded.refused[0]?.detail).toMatch(detail);
  });

  it('keeps the value of a record whose period is no period', () => {
    const { readings, refused } = accepted(decode([{ n: 'l1.v', v: 120, ut: 0 }]));
    expect(readings).toEqual([meter(NOW, { l1V: 120 })]);
    expect(refused.map(({ reason }) => reason)).toEqual(['out-of-range']);
  });

  it('takes the very edges of the age limits', () => {
    const edges = [NOW - 400 * DAY_MS, NOW + DAY_MS];
    const { readings } = accepted(decode(edges.map((at) => ({ n: 'l1.v', t: at / 1000, v: 120 }))));
    expect(readings.map(({ at }) => at)).toEqual(edges);
  });

  it('sets NaN and infinities in CBOR aside', () => {
    const payload = encodeCbor([
      { n: 'l1.v', v: Number.NaN },
      { n: 'l2.v', v: Number.POSITIVE_INFINITY },
      { n: 'f', v: 60 },
    ]);
    const { readings, refused } = accepted(decodeReadings(payload, undefined, NOW, 'device-1'));
    expect(readings).toEqual([meter(NOW, { frequencyHz: 60 })]);
    expect(refused.map(({ reason }) => reason)).toEqual(['not-a-number', 'not-a-number']);
  });
});

describe('the content type', () => {
  const records: SenmlRecord[] = [{ n: 'l1.v', u: 'V', v: 120 }];
  const json = encodeJson(records);
  const cbor = encodeCbor(records);
  const cases: { type: string | undefined; payload: Uint8Array; outcome: string }[] = [
    { type: 'application/senml+json', payload: json, outcome: 'accepted' },
    { type: 'application/senml+cbor', payload: cbor, outcome: 'accepted' },
    { type: 'Application/SenML+JSON; charset=utf-8', payload: json, outcome: 'accepted' },
    { type: 'application/json', payload: json, outcome: 'accepted' },
    { type: 'application/cbor', payload: cbor, outcome: 'accepted' },
    { type: undefined, payload: json, outcome: 'accepted' },
    { type: undefined, payload: cbor, outcome: 'accepted' },
    { type: '', payload: json, outcome: 'accepted' },
    { type: 'application/senml+json', payload: cbor, outcome: 'not-senml' },
    { type: 'application/senml+cbor', payload: json, outcome: 'not-senml' },
    { type: 'application/senml+xml', payload: json, outcome: 'content-type' },
    { type: 'text/plain', payload: json, outcome: 'content-type' },
    { type: undefined, payload: new TextEncoder().encode(' []'), outcome: 'not-senml' },
    { type: undefined, payload: new Uint8Array(), outcome: 'not-senml' },
  ];
  it.each(cases)('$type decides: $outcome', ({ type, payload, outcome }) => {
    const decoded = decodeReadings(payload, type, NOW, 'device-1');
    expect(decoded.kind === 'refused' ? decoded.reason : decoded.kind).toBe(outcome);
  });
});

describe('limits', () => {
  it('refuses more than 1 MiB', () => {
    const payload = new Uint8Array(2 ** 20 + 1).fill(0x20);
    expect(decodeReadings(payload, undefined, NOW, 'device-1')).toMatchObject({
      reason: 'payload-too-large',
    });
  });

  it('refuses more than 100,000 records', () => {
    const payload = new TextEncoder().encode(`[${'{},'.repeat(100_000)}{}]`);
    expect(decodeReadings(payload, undefined, NOW, 'device-1')).toMatchObject({ reason: 'too-many-records' });
  });
});

describe('nesting', () => {
  // A pack and its record are two levels, an extension field has fourteen more.
  const nested = (levels: number) => '['.repeat(levels) + ']'.repeat(levels);
  const json = (levels: number) => new TextEncoder().encode(`[{"n":"l1.v","v":120,"x":${nested(levels)}}]`);
  const cbor = (levels: number) => {
    const record = [0xa3, 0x00, 0x64, 0x6c, 0x31, 0x2e, 0x76, 0x02, 0x18, 120, 0x61, 0x78];
    return Uint8Array.of(0x81, ...record, ...Array.from({ length: levels - 1 }, () => 0x81), 0x80);
  };
  it.each([json, cbor])('goes 16 levels deep, as JSON and as CBOR', (payloadOf) => {
    expect(accepted(decodeReadings(payloadOf(14), undefined, NOW, 'device-1')).readings).toHaveLength(1);
    expect(decodeReadings(payloadOf(15), undefined, NOW, 'device-1')).toMatchObject({
      reason: 'nested-too-deep',
    });
  });
});

describe('the quantity tables', () => {
  it('have the fields of a reading in column order, so that all readings have one shape', () => {
    expect(['kind', 'device', 'at', ...METER_QUANTITIES.map(({ field }) => field)]).toEqual(
      Object.keys(emptyMeterReading('m', 0)),
    );
    expect(['kind', 'device', 'at', ...BATTERY_QUANTITIES.map(({ field }) => field)]).toEqual(
      Object.keys(emptyBatteryReading('b', 0)),
    );
  });

  it('name their columns after the fields', () => {
    for (const { field, column } of [...METER_QUANTITIES, ...BATTERY_QUANTITIES]) {
      const snake = field.replace(/[A-Z]/g, (capital) => `_${capital.toLowerCase()}`);
      expect(column).toBe(snake);
    }
  });
});
