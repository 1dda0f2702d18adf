// What the plain readers find is what the general way finds; where they differ, they must have given up.

import { describe, expect, it } from 'vitest';
import { decodeAny, readPlain } from './decode-readings.ts';
import { encodeReadings } from './encode-readings.ts';
import { findPlainQuantity } from './plain-pack.ts';
import { BATTERY_QUANTITIES, METER_QUANTITIES } from './reading.ts';
import { seededRandom, someReadings } from './test-mutations.ts';

const NOW_MS = Date.UTC(2026, 0, 15, 12);
const ENCODER = new TextEncoder();

describe('a plain pack', () => {
  it('knows every quantity by its name, and no two by one hash', () => {
    for (const { quantity, type } of [...METER_QUANTITIES, ...BATTERY_QUANTITIES]) {
      if (quantity === 'ut') continue;
      const bytes = ENCODER.encode(quantity);
      const found = findPlainQuantity(bytes, 0, bytes.length);
      expect((found?.meter ?? found?.battery)?.quantity).toBe(quantity);
      expect((found?.meter ?? found?.battery)?.type).toBe(type);
    }
  });

  it.each(['json', 'cbor'] as const)('is what our own encoder writes for one kind (%s)', (format) => {
    const random = seededRandom(7);
    let plain = 0;
    for (let round = 0; round < 500; round += 1) {
      const readings = someReadings(random, NOW_MS).filter(({ kind }) => kind === 'meter');
      if (readings.length === 0) continue;
      const payload = encodeReadings(readings, format);
      if (readPlain(payload, undefined, NOW_MS, 'd') !== undefined) plain += 1;
    }
    expect(plain).toBeGreaterThan(100);
  });

  it.each([
    {
      pack: '[{"bn":"x/","bt":1767225600,"n":"l1.p","u":"kW","v":-1.25,"ut":5},{"n":"rssi","u":"dBm","v":-61}]',
      why: 'a converted unit',
    },
    { pack: ' [ { "n" : "soc" , "u":"%EL", "v" : 0.5e1 } ] ', why: 'an exponent: the general way' },
    { pack: '[{"n":"grid","vb":true},{"n":"soc","v":12,"t":-5},{"n":"seq","v":3,"t":-5}]', why: 'a boolean' },
    { pack: '[{"n":"l1.v","v":123456789012345678}]', why: 'more digits than a double holds' },
    {
      pack: '[{"n":"l1.v","v":0.1},{"n":"l1.i","v":100.07},{"n":"l1.p","v":-0}]',
      why: 'decimals round as in JSON',
    },
    { pack: '[{"n":"rssi","v":-60},{"n":"seq","v":1}]', why: 'no kind' },
    { pack: '[{"n":"l1.v","v":1},{"n":"l1.v","v":2}]', why: 'a contradiction' },
    { pack: '[{"bt":5},{"n":"f","v":60}]', why: 'base fields alone' },
    { pack: '[{"n":"l1.v","u":"W","v":120},{"n":"l2.v","v":121}]', why: 'a wrong unit' },
    { pack: '[{"n":"l1.v","v":120,"t":-5},{"n":"l1.v","v":121,"t":-10}]', why: 'times that go back' },
  ])('is read as by the general way, or not at all: $why', ({ pack }) => {
    const payload = ENCODER.encode(pack);
    const general = decodeAny(payload, undefined, NOW_MS, 'd');
    const plain = readPlain(payload, undefined, NOW_MS, 'd');
    if (plain !== undefined) expect({ kind: 'accepted', readings: plain, refused: [] }).toEqual(general);
  });
});
