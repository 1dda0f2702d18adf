// Whatever a device sends, decodeReadings answers: what was encoded comes back, nothing out of range gets through,
// and damaged or random bytes give a typed result.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { decodeReadings } from './decode-readings.ts';
import { encodeReadings } from './encode-readings.ts';
import {
  BATTERY_QUANTITIES,
  emptyBatteryReading,
  emptyMeterReading,
  METER_QUANTITIES,
  type Reading,
} from './reading.ts';
import { findUnsound } from './test-soundness.ts';

const NOW = Date.UTC(2026, 6, 4);
const DAY_MS = 86_400_000;
const DEVICE = 'device-1';

const at = fc.integer({ min: NOW - 399 * DAY_MS, max: NOW + DAY_MS });
const format = fc.constantFrom('json', 'cbor');

/** A value of a quantity: null now and then, and none that only -0 tells from 0. */
function aValueOf(quantity: {
  type: string;
  min?: number;
  max?: number;
}): fc.Arbitrary<number | boolean | null> {
  const { type, min = 0, max = 0 } = quantity;
  if (type === 'boolean') return fc.option(fc.boolean());
  if (type === 'integer') return fc.option(fc.integer({ min, max }));
  return fc.option(fc.double({ min, max, noNaN: true }).map((value) => value + 0));
}

const meterReading: fc.Arbitrary<Reading> = fc
  .tuple(
    at,
    fc.record(Object.fromEntries(METER_QUANTITIES.map((q) => [q.field, aValueOf(q)]))),
    fc.double({ min: 1, max: 240, noNaN: true }),
  )
  .map(([time, values, l1V]) => ({ ...emptyMeterReading(DEVICE, time), ...values, l1V }));
const batteryReading: fc.Arbitrary<Reading> = fc
  .tuple(
    at,
    fc.record(Object.fromEntries(BATTERY_QUANTITIES.map((q) => [q.field, aValueOf(q)]))),
    fc.double({ min: 1, max: 100, noNaN: true }),
  )
  .map(([time, values, socPct]) => ({ ...emptyBatteryReading(DEVICE, time), ...values, socPct }));
const readings = fc
  .tuple(
    fc.uniqueArray(meterReading, { selector: (reading) => reading.at, maxLength: 8 }),
    fc.uniqueArray(batteryReading, { selector: (reading) => reading.at, maxLength: 8 }),
  )
  .map(([meters, batteries]) => {
    // At one time a device has one counter and one signal strength.
    const times = new Set(meters.map((reading) => reading.at));
    return [...meters, ...batteries.filter((reading) => !times.has(reading.at))];
  })
  .filter((all) => all.length > 0);

function decode(payload: Uint8Array, contentType?: string) {
  return decodeReadings(payload, contentType, NOW, DEVICE);
}

function expectSound(payload: Uint8Array, contentType?: string): void {
  expect(findUnsound(decode(payload, contentType), NOW)).toBeUndefined();
}

/** Bytes of a good pack, cut, overwritten and doubled here and there. */
const damaged = fc
  .tuple(
    readings,
    format,
    fc.array(fc.tuple(fc.nat(), fc.integer({ min: 0, max: 255 })), { maxLength: 6 }),
    fc.option(fc.nat()),
  )
  .map(([good, kind, edits, cut]) => {
    const payload = encodeReadings(good.slice(0, 3), kind);
    for (const [where, byte] of edits) payload[where % payload.length] = byte;
    return cut === null ? payload : payload.slice(0, cut % payload.length);
  });

/** Records with known labels and values of any kind, as JSON. */
const wildRecord = fc.dictionary(
  fc.constantFrom(
    'bn',
    'bt',
    'bu',
    'bv',
    'bs',
    'bver',
    'n',
    'u',
    'v',
    'vs',
    'vb',
    'vd',
    's',
    't',
    'ut',
    'x',
    'x_',
  ),
  fc.oneof(
    fc.constantFrom(
      'l1.v',
      'soc',
      'seq',
      'grid',
      'V',
      'kW',
      '%EL',
      'urn:dev:x:',
      '',
      10,
      26,
      120,
      -5,
      NOW / 1000,
      true,
    ),
    fc.double(),
    fc.string({ unit: 'binary' }),
    fc.jsonValue({ maxDepth: 2 }),
  ),
  { maxKeys: 6 },
);
const likelyRecord = fc.record(
  {
    n: fc.constantFrom('l1.v', 'l1.i', 'soc', 'seq', 'rssi', 'grid', 'import', 'temp', 'l9.v'),
    u: fc.constantFrom('V', 'A', 'W', '%EL', 'kWh', 'K', 'J', 'dBm', 'Cel'),
    v: fc.oneof(fc.double(), fc.integer({ min: -500, max: 500 })),
    vb: fc.boolean(),
    t: fc.oneof(fc.double(), fc.integer({ min: -1000, max: 1000 })),
    bt: fc.constantFrom(0, NOW / 1000),
    bv: fc.double(),
    ut: fc.oneof(fc.double(), fc.constantFrom(5, 10)),
  },
  { requiredKeys: ['n'] },
);

describe('decodeReadings', () => {
  it('gives back what encodeReadings was given', () => {
    fc.assert(
      fc.property(readings, format, (sent, kind) => {
        const decoded = decode(encodeReadings(sent, kind), `application/senml+${kind}`);
        const inOrder = [...sent].sort((a, b) => a.at - b.at);
        expect(decoded).toEqual({ kind: 'accepted', readings: inOrder, refused: [] });
      }),
      { numRuns: 300 },
    );
  });

  it('answers soundly to damaged packs', () => {
    fc.assert(
      fc.property(damaged, (payload) => expectSound(payload)),
      { numRuns: 2000 },
    );
  });

  it('answers soundly to random bytes, as JSON, as CBOR, as either', () => {
    const type = fc.constantFrom(undefined, 'application/senml+json', 'application/senml+cbor');
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 300 }), type, (payload, contentType) =>
        expectSound(payload, contentType),
      ),
      { numRuns: 2000 },
    );
  });

  it('answers soundly to records of any make', () => {
    const pack = fc.array(fc.oneof(wildRecord, likelyRecord), { maxLength: 8 });
    fc.assert(
      fc.property(pack, (records) => expectSound(new TextEncoder().encode(JSON.stringify(records)))),
      { numRuns: 2000 },
    );
  });
});
