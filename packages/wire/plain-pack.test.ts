// What the plain readers find is what the general way finds; where they differ, they must have given up.

import { describe, expect, it } from 'vitest';
import { decodeAny, readPlain } from './decode-readings.ts';
import { encodeReadings } from './encode-readings.ts';
import { BATTERY_QUANTITIES, METER_QUANTITIES, type Reading } from './reading.ts';
import { ReadingBlock } from './reading-block.ts';
import { encodeCbor } from './senml-cbor.ts';
import { encodeJson } from './senml-json.ts';
import { seededRandom, someReadings } from './test-mutations.ts';

const NOW_MS = Date.UTC(2026, 0, 15, 12);
const ENCODER = new TextEncoder();

function plainReadings(payload: Uint8Array): Reading[] | undefined {
  const block = new ReadingBlock();
  return readPlain(payload, undefined, NOW_MS, block) ? block.toReadings('d') : undefined;
}

describe('a plain pack', () => {
  it.each([...METER_QUANTITIES, ...BATTERY_QUANTITIES].filter(({ quantity }) => quantity !== 'ut'))(
    'may hold $quantity',
    ({ quantity, type, field }) => {
      const kind = METER_QUANTITIES.some((meter) => meter.quantity === quantity) ? 'l1.v' : 'soc';
      const value = type === 'boolean' ? { vb: true } : { v: 3 };
      const pack = [{ n: kind, v: 3, ut: 5 }, ...(quantity === kind ? [] : [{ n: quantity, ...value }])];
      for (const payload of [encodeJson(pack), encodeCbor(pack)]) {
        expect(plainReadings(payload)).toMatchObject([{ [field]: value.vb ?? value.v, periodS: 5 }]);
      }
    },
  );

  it('knows no name that only looks like one when cut short', () => {
    for (const n of ['\0l1.v', 'xinlet1.i', 'l1.v\0', '', 'l1']) {
      expect(plainReadings(encodeCbor([{ n, v: 1 }]))).toBeUndefined();
      expect(plainReadings(encodeJson([{ n, v: 1 }]))).toBeUndefined();
    }
  });

  it.each(['json', 'cbor'] as const)('is what our own encoder writes for one kind (%s)', (format) => {
    const random = seededRandom(7);
    let plain = 0;
    for (let round = 0; round < 500; round += 1) {
      const readings = someReadings(random, NOW_MS).filter(({ kind }) => kind === 'meter');
      if (readings.length === 0) continue;
      const payload = encodeReadings(readings, format);
      if (plainReadings(payload) !== undefined) plain += 1;
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
    { pack: '[{"n":"rssi","v":-60,"ut":5},{"n":"l1.v","v":1,"ut":10}]', why: 'two periods' },
    { pack: '[{"n":"rssi","v":-60,"t":-5},{"n":"l1.v","v":1}]', why: 'a time with nothing of its kind' },
    { pack: '[{"n":"l1.v","v":true},{"n":"grid","v":1},{"n":"l2.v","v":1.}]', why: 'wrong types' },
    { pack: '[{"n":"l1.v","v":1,"bn":"house/meter-1"},{"n":"l2.v","v":01}]', why: 'an unfinished base name' },
    { pack: '[{"n":"l1.v","v":1},{"n":"l1.v","v":2}]', why: 'a contradiction' },
    { pack: '[{"bt":5},{"n":"f","v":60}]', why: 'base fields alone' },
    { pack: '[{"n":"l1.v","u":"W","v":120},{"n":"l2.v","v":121}]', why: 'a wrong unit' },
    { pack: '[{"n":"l1.v","v":120,"t":-5},{"n":"l1.v","v":121,"t":-10}]', why: 'times that go back' },
  ])('is read as by the general way, or not at all: $why', ({ pack }) => {
    const payload = ENCODER.encode(pack);
    const general = decodeAny(payload, undefined, NOW_MS, 'd');
    const plain = plainReadings(payload);
    if (plain !== undefined) expect({ kind: 'accepted', readings: plain, refused: [] }).toEqual(general);
  });
});
