// SenML in CBOR: the dump of RFC 8428 section 6, the examples of RFC 8949, an independent reader, hostile bytes.
import { decode as decodeWithCborX, Encoder } from 'cbor-x';
import { describe, expect, it } from 'vitest';
import { NO_SCALAR } from './cbor-reader.ts';
import type { SenmlRecord } from './senml.ts';
import { decodeCbor, encodeCbor } from './senml-cbor.ts';

function bytes(hex: string): Uint8Array {
  return Uint8Array.from(hex.match(/[0-9a-f]{2}/g) ?? [], (pair) => Number.parseInt(pair, 16));
}

function hexOf(payload: Uint8Array): string {
  return Array.from(payload, (byte) => byte.toString(16).padStart(2, '0')).join('');
}

function decode(hex: string): readonly unknown[] {
  const decoded = decodeCbor(bytes(hex));
  if (decoded.kind === 'refused') throw new Error(decoded.detail);
  return decoded.pack;
}

/** The value of a pack of one record that has only `v`, as CBOR bytes. */
function decodeValue(hex: string): unknown {
  const [record] = decode(`81a102${hex}`);
  return Object.entries(record ?? {})[0]?.[1];
}

describe('RFC 8428 section 6', () => {
  const dump = `
    87 a7 21 78 1b 75 72 6e 3a 64 65 76 3a 6f 77 3a 31 30 65 32 30 37 33 61 30 31 30 38 30 30 36 3a
    22 fb 41 d3 03 a1 5b 00 10 62 23 61 41 20 05 00 67 76 6f 6c 74 61 67 65 01 61 56 02 fb 40 5e 06
    66 66 66 66 66 a3 00 67 63 75 72 72 65 6e 74 06 24 02 fb 3f f3 33 33 33 33 33 33 a3 00 67 63 75
    72 72 65 6e 74 06 23 02 fb 3f f4 cc cc cc cc cc cd a3 00 67 63 75 72 72 65 6e 74 06 22 02 fb 3f
    f6 66 66 66 66 66 66 a3 00 67 63 75 72 72 65 6e 74 06 21 02 f9 3e 00 a3 00 67 63 75 72 72 65 6e
    74 06 20 02 fb 3f f9 99 99 99 99 99 9a a3 00 67 63 75 72 72 65 6e 74 06 00 02 fb 3f fb 33 33 33
    33 33 33`;
  const diagnostic: SenmlRecord[] = [
    {
      bn: 'urn:dev:ow:10e2073a0108006:',
      bt: 1276020076.001,
      bu: 'A',
      bver: 5,
      n: 'voltage',
      u: 'V',
      v: 120.1,
    },
    { n: 'current', t: -5, v: 1.2 },
    { n: 'current', t: -4, v: 1.3 },
    { n: 'current', t: -3, v: 1.4 },
    { n: 'current', t: -2, v: 1.5 },
    { n: 'current', t: -1, v: 1.6 },
    { n: 'current', t: 0, v: 1.7 },
  ];

  it('reads the dump as its diagnostic notation says', () => {
    expect(bytes(dump)).toHaveLength(0xc3);
    expect(decode(dump)).toEqual(diagnostic);
  });

  it('writes that example byte by byte', () => {
    expect(hexOf(encodeCbor(diagnostic))).toBe(dump.replace(/\s/g, ''));
  });

  it('takes a stream: an array of indefinite length', () => {
    expect(decode('9f a2 00 61 61 02 01 bf 00 61 62 02 02 ff ff')).toEqual([
      { n: 'a', v: 1 },
      { n: 'b', v: 2 },
    ]);
  });

  it('takes data as a byte string', () => {
    expect(decode('81 a2 00 61 61 08 43 01 02 03')).toEqual([{ n: 'a', vd: Uint8Array.of(1, 2, 3) }]);
  });

  it('takes labels as text too, and ignores numbers that are no label', () => {
    expect(decode('81 a3 61 6e 61 61 61 76 01 18 63 05')).toEqual([{ n: 'a', v: 1 }]);
  });
});

describe('the numbers of RFC 8949 appendix A', () => {
  const examples: [hex: string, value: number][] = [
    ['00', 0],
    ['17', 23],
    ['1818', 24],
    ['1903e8', 1000],
    ['1a000f4240', 1_000_000],
    ['1b000000e8d4a51000', 1e12],
    ['1bffffffffffffffff', 2 ** 64], // 2^64 - 1, as a double has it
    ['20', -1],
    ['3863', -100],
    ['3903e7', -1000],
    ['f90000', 0],
    ['f93c00', 1],
    ['f93e00', 1.5],
    ['f97bff', 65504],
    ['fa47c35000', 100_000],
    ['fa7f7fffff', 3.4028234663852886e38],
    ['fb3ff199999999999a', 1.1],
    ['fb7e37e43c8800759c', 1e300],
    ['f90001', 2 ** -24],
    ['f90400', 0.00006103515625],
    ['f9c400', -4],
    ['fbc010666666666666', -4.1],
    ['f97c00', Number.POSITIVE_INFINITY],
    ['f97e00', Number.NaN],
    ['f9fc00', Number.NEGATIVE_INFINITY],
    ['fa7fc00000', Number.NaN],
    ['fbfff0000000000000', Number.NEGATIVE_INFINITY],
  ];
  it.each(examples)('reads %s as %d', (hex, value) => {
    expect(decodeValue(hex)).toBe(value);
  });

  it('reads the decimal fraction of section 3.4.4, 273.15, without rounding twice', () => {
    expect(decodeValue('c4 82 21 19 6ab3')).toBe(273.15);
    expect(decodeValue('c4 82 20 1a 0001 d4c1')).toBe(12_000.1);
  });

  const integersAndNormalNumbers = [
    23,
    24,
    -1,
    -1000,
    1e6,
    1e12,
    1.5,
    65504,
    100_000.5,
    3.4028234663852886e38,
    1.1,
    2 ** -14,
    1e300,
  ];
  it.each(integersAndNormalNumbers)('writes %d as an independent reader (cbor-x) takes it', (value) => {
    const payload = encodeCbor([{ v: value }]);
    expect(Number(decodeWithCborX(payload)[0][2])).toBe(value);
  });

  it('writes the shortest form that is exact', () => {
    const written = ([1.5, 32.75, 2 ** -14, 100_000.5, 1.1, 24] as const).map((v) =>
      hexOf(encodeCbor([{ v }])).slice(6),
    );
    expect(written).toEqual(['f93e00', 'f95018', 'f90400', 'fa47c35040', 'fb3ff199999999999a', '1818']);
  });
});

describe('next to an independent reader (cbor-x)', () => {
  const records: SenmlRecord[] = [
    { bn: 'urn:dev:x:', bt: 1.7e9, n: 'soc', u: '%EL', v: 80.5 },
    { n: 'grid', vb: true },
    { n: 'label', vs: 'Grüße, 30 °C 🌡' },
    { n: 'long', vs: 'x'.repeat(70_000) },
    ...Array.from({ length: 300 }, (_, i) => ({ n: `n${i}`, v: i * 1234.5678 - 1e5 })),
    { n: 'data', vd: Uint8Array.of(0, 255) },
  ];

  it('writes what it reads', () => {
    const labels = ['vd', 'ut', 't', 's', 'vb', 'vs', 'v', 'u', 'n', 'bver', 'bn', 'bt', 'bu', 'bv', 'bs'];
    const read: unknown[] = decodeWithCborX(encodeCbor(records));
    const named = read.map((record) =>
      Object.fromEntries(
        Object.entries(record ?? {}).map(([key, value]) => [labels[8 - Number(key)], value]),
      ),
    );
    expect(named).toEqual(records.map((record) => ({ ...record })));
  });

  it('reads what it writes', () => {
    const decoded = decodeCbor(new Encoder({ useRecords: false, tagUint8Array: false }).encode(records));
    expect(decoded).toEqual({ kind: 'decoded', pack: records });
  });
});

describe('bytes that are no pack', () => {
  const cases: { why: string; hex: string; reason: string }[] = [
    { why: 'nothing at all', hex: '', reason: 'not-senml' },
    { why: 'a map instead of an array', hex: 'a0', reason: 'not-senml' },
    { why: 'a number instead of an array', hex: '01', reason: 'not-senml' },
    { why: 'a tagged array', hex: 'd9d9f780', reason: 'not-senml' },
    { why: 'an array of 2^64 - 1 records', hex: '9bffffffffffffffff', reason: 'not-senml' },
    { why: 'an array longer than the payload', hex: '9a00100000a0', reason: 'not-senml' },
    { why: 'a map of 2^32 - 1 entries', hex: '81bb00000000ffffffff0000', reason: 'not-senml' },
    { why: 'a text of 4 GiB', hex: '81a1007affffffff61', reason: 'not-senml' },
    {
      why: 'a text of indefinite length (section 6 wants definite)',
      hex: '81a1007f6161ff',
      reason: 'not-senml',
    },
    { why: 'an array without an end', hex: '9fa0', reason: 'not-senml' },
    { why: 'a break where an item should be', hex: '81a102ff', reason: 'not-senml' },
    { why: 'reserved additional information', hex: '81a1021c', reason: 'not-senml' },
    { why: 'text that is not UTF-8', hex: '81a10062c328', reason: 'not-senml' },
    { why: 'a double cut short', hex: '81a102fb3ff1', reason: 'not-senml' },
    { why: 'something after the array', hex: '81a1020100', reason: 'not-senml' },
    { why: 'a million tags', hex: `81a102${'c1'.repeat(1_000_000)}00`, reason: 'nested-too-deep' },
    {
      why: 'half a million lists in each other',
      hex: `81a102${'81'.repeat(500_000)}00`,
      reason: 'nested-too-deep',
    },
    { why: 'half a million endless lists', hex: '9f'.repeat(500_000), reason: 'nested-too-deep' },
  ];
  it.each(cases)('refuses $why', ({ hex, reason }) => {
    const decoded = decodeCbor(bytes(hex));
    expect(decoded).toMatchObject({ kind: 'refused', reason });
    if (decoded.kind === 'refused') expect(decoded.detail).toMatch(/\.$/);
  });

  it('keeps what is no scalar out of the values: lists, dates, big numbers, unassigned simple values', () => {
    for (const hex of [
      '80',
      'a0',
      'c001',
      'c11a514b67b0',
      'c249010000000000000000',
      'c48201f5',
      'e0',
      'f8ff',
    ]) {
      expect(decodeValue(hex)).toBe(NO_SCALAR);
    }
  });

  it('sets no prototype', () => {
    const [record] = decode('81 a2 69 5f5f70726f746f5f5f a1 61 76 01 02 01');
    expect(Object.getPrototypeOf(record)).toBe(Object.prototype);
    expect(Object.keys(record ?? {})).toContain('__proto__');
  });
});
