// Packs that nobody should send, for tests: records of any labels and values, some twice, in every spelling that JSON
// and CBOR have for them and in some that they have not. Seeded, so that a failure can be had again.

type Random = (bound: number) => number;

/** One item in both formats: JSON as text (a character a byte), CBOR in hexadecimal. */
interface Spelling {
  readonly json: string;
  readonly cbor: string;
}

const LONG = 'x'.repeat(300);

function text(value: string): Spelling {
  const length = value.length < 24 ? hex(0x60 + value.length, 1) : `79${hex(value.length, 2)}`;
  const bytes = [...value].map((character) => hex(character.charCodeAt(0), 1)).join('');
  return { json: JSON.stringify(value), cbor: length + bytes };
}

function float(value: number): Spelling {
  const view = new DataView(new ArrayBuffer(8));
  view.setFloat64(0, value);
  return { json: `${value}`, cbor: `fb${view.getBigUint64(0).toString(16).padStart(16, '0')}` };
}

function hex(value: number, bytes: number): string {
  return value.toString(16).padStart(bytes * 2, '0');
}

function nested(levels: number): Spelling {
  return { json: '['.repeat(levels) + ']'.repeat(levels), cbor: `${'81'.repeat(levels - 1)}80` };
}

/** Labels in their own spelling, and in those that RFC 8949 also has for the same number. */
const LABELS: Readonly<Record<string, readonly Spelling[]>> = Object.fromEntries(
  Object.entries({ bver: -1, bn: -2, bt: -3, bu: -4, bv: -5, bs: -6, n: 0, u: 1, v: 2, vs: 3, vb: 4 })
    .concat(Object.entries({ s: 5, t: 6, ut: 7, vd: 8 }))
    .map(([label, number]) => {
      const own = { json: `"${label}"`, cbor: number < 0 ? hex(0x1f - number, 1) : hex(number, 1) };
      const wide = number < 0 ? `38${hex(-1 - number, 1)}` : `18${hex(number, 1)}`;
      const escaped = `"\\u${hex(label.charCodeAt(0), 2)}${label.slice(1)}"`;
      return [
        label,
        [
          ...Array<Spelling>(30).fill(own),
          text(label),
          { json: escaped, cbor: wide },
          { ...own, ...float(number), json: own.json },
        ],
      ];
    }),
);
const STRANGE_LABELS: readonly Spelling[] = [
  text('x'),
  text('x_'),
  text('__proto__'),
  text(''),
  { json: '"\\ud800"', cbor: '61ff' },
  { json: '"constructor"', cbor: 'f6' },
  { json: 'n', cbor: 'fb' },
];

const NUMBERS: readonly Spelling[] = [
  { json: '0', cbor: '00' },
  { json: '-0', cbor: 'f98000' },
  { json: '1', cbor: '1b0000000000000001' },
  { json: '120.5', cbor: 'f95788' },
  { json: '120.1', cbor: 'fa42f03333' },
  float(120.4),
  float(-1250.25),
  { json: '12e1', cbor: '1878' },
  { json: '1e400', cbor: 'f97c00' },
  { json: 'NaN', cbor: 'f97e00' },
  { json: '-Infinity', cbor: 'f9fc00' },
  { json: '5e-324', cbor: 'f90001' },
  { json: '9007199254740993', cbor: '1b0020000000000001' },
  { json: '123456789012345678901234567890', cbor: 'c24c018ee90ff6c373e0ee4e3f0a' },
  { json: '-18446744073709551616', cbor: '3bffffffffffffffff' },
  { json: '1.2', cbor: 'c482200c' },
  { json: '1e-999999999999', cbor: 'c4823b00ffffffffffffff01' },
  { json: '1e999999999999', cbor: 'c4821b00ffffffffffffff01' },
  { json: '00', cbor: '1c' },
  { json: '1.', cbor: '1d' },
  { json: '.5', cbor: 'c11a6969696a' },
  { json: '+1', cbor: 'f800' },
  { json: '0.1e+1', cbor: '1800' },
  ...[2 ** 28 - 1, 2 ** 28, 2 ** 28 + 0.5, -(2 ** 28), 1e300, -1e300].map(float),
];
const METER_NAMES = ['l1.v', 'l2.v', 'l1.i', 'l1.p', 'f', 'import', 'seq'].map(text);
const NAMES = ['l1.v', 'l2.v', 'l1.i', 'l1.p', 'f', 'import', 'soc', 'grid', 'storm', 'temp', 'rssi', 'seq']
  .concat([
    'l1.v',
    'l2.v',
    'f',
    'l1.i',
    'inlet1.p',
    'l1.q',
    'd/l1.v',
    'urn:dev:x:soc',
    'ut',
    'l9.v',
    '',
    '/',
    LONG,
    'constructor',
    'l1.v ',
  ])
  .map(text);
const BASE_NAMES = [
  '',
  'd/',
  'd/',
  'd/',
  'd/',
  'd/',
  'urn:x:',
  'urn:x:',
  'urn:dev:mac:0024befffe804ff1:',
  'd',
  'é/',
  LONG,
  ':/',
  '-/',
].map(text);
const UNITS = [
  'V',
  'mV',
  'A',
  'mA',
  'W',
  'kW',
  '%EL',
  '/',
  'Wh',
  'kWh',
  'J',
  'Cel',
  'K',
  'dBm',
  'dBW',
  'Hz',
  '',
].map(text);
const BOOLEANS: readonly Spelling[] = [
  { json: 'true', cbor: 'f5' },
  { json: 'false', cbor: 'f4' },
  { json: 'True', cbor: 'f8f5' },
];
const VERSIONS = [10, 10, 10, 10, 26, 5, 1, 0, 11, 27, 42, 10.5].map(float);
const ODDITIES: readonly Spelling[] = [
  { json: 'null', cbor: 'f6' },
  { json: 'undefined', cbor: 'f7' },
  { json: '"\\u0000"', cbor: '6100' },
  { json: '"\xff\xfe"', cbor: '62fffe' },
  { json: '"\xc0\x80"', cbor: '7f6161ff' },
  { json: '{"a":{}}', cbor: 'bf6161a0ff' },
  { json: '[1,[2]]', cbor: '9f018102ff' },
  { json: '{}', cbor: '44deadbeef' },
  { json: '"', cbor: '7bffffffffffffffff' },
  { json: '[', cbor: '9bffffffffffffffff' },
  { json: '\\', cbor: 'ff' },
  nested(13),
  nested(14),
  nested(15),
  nested(400),
];

/** @returns the bytes of a wild pack */
export function wildPayload(random: Random, nowMs: number): Uint8Array {
  const asCbor = random(2) === 0;
  const now = float(nowMs / 1000 - random(3));
  const times = [
    now,
    now,
    now,
    float(-random(600)),
    float(random(86_400 * 800) - 86_400 * 400 + nowMs / 1000),
  ];
  const names = random(2) === 0 ? METER_NAMES : NAMES;
  const likely: Readonly<Record<string, readonly Spelling[]>> = {
    ...{ bn: BASE_NAMES, n: names, u: UNITS, bu: UNITS, vb: BOOLEANS, bver: VERSIONS, bt: times },
    t: [float(-random(100)), float(-5), float(0), now],
    ut: [float(5), float(60), float(0), float(1e9)],
    v: [float(120.4), float(1.5), float(50), float(7), float(0.25), ...NUMBERS.slice(0, 5)],
    bv: [float(0), float(1)],
    vs: NAMES,
    vd: NAMES,
  };
  const pick = <T>(from: readonly T[]): T | undefined => from[random(from.length)];
  const itemFor = (label: string): Spelling | undefined => {
    if (random(60) === 0) return pick(ODDITIES);
    return pick(random(30) === 0 ? NUMBERS : (likely[label] ?? NUMBERS));
  };
  // A record of a name and a value, with others now and then; a label may come twice.
  const records = Array.from({ length: random(40) === 0 ? 0 : 1 + random(5) }, (_, index) => {
    const labels = ['n', random(6) === 0 ? 'vb' : 'v'];
    if (index === 0 && random(2) === 0) labels.push('bt', 'bn');
    for (let more = random(2) * random(3); more > 0; more -= 1) labels.push(pick(Object.keys(LABELS)) ?? 'v');
    const fields = labels.map((label) => [pick(LABELS[label] ?? []), itemFor(label)] as const);
    if (random(60) === 0) fields.push([pick(STRANGE_LABELS), pick(NUMBERS)]);
    return asCbor
      ? container(
          random,
          5,
          fields.length,
          fields.map(([key, value]) => `${key?.cbor}${value?.cbor}`).join(''),
        )
      : `{${fields.map(([key, value]) => `${key?.json}:${value?.json}`).join(',')}}`;
  });
  if (!asCbor) return Uint8Array.from(`[${records.join(',')}]`, (character) => character.charCodeAt(0));
  const pack = container(random, 4, records.length, records.join(''));
  return fromHex(random(30) === 0 ? `d9d9f7${pack}` : pack);
}

/** A list or map in hexadecimal: of a known length in any width, of an unknown one, or of a wrong one. */
function container(random: Random, major: number, entries: number, items: string): string {
  const type = major << 5;
  switch (random(40)) {
    case 0:
      return `${hex(type | 31, 1)}${items}ff`;
    case 1:
      return `${hex(type | 24, 1)}${hex(entries, 1)}${items}`;
    case 2:
      return `${hex(type | 27, 1)}${hex(entries, 8)}${items}`;
    case 3:
      return `${hex(type | Math.min(23, entries + random(3)), 1)}${items}`;
    default:
      return `${hex(type | Math.min(23, entries), 1)}${items}`;
  }
}

function fromHex(digits: string): Uint8Array {
  const bytes = new Uint8Array(digits.length / 2);
  for (let at = 0; at < bytes.length; at += 1)
    bytes[at] = Number.parseInt(digits.slice(2 * at, 2 * at + 2), 16);
  return bytes;
}
