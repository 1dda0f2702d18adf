// SenML packs resolve as RFC 8428 says, checked against every worked example of its section 5.
import { describe, expect, it } from 'vitest';
import { type ResolvedRecord, resolvePack, type SenmlRecord } from './senml.ts';
import { decodeJson } from './senml-json.ts';

/** Arrival of every pack here: the time RFC 8428 section 5.1.7 calls "the current time". */
const NOW_S = 1_320_078_429;

/** What a resolved record holds, without what it does not. */
function withoutGaps(record: ResolvedRecord): SenmlRecord {
  return JSON.parse(JSON.stringify(record));
}

function resolve(text: string): SenmlRecord[] {
  const decoded = decodeJson(new TextEncoder().encode(text));
  if (decoded.kind === 'refused') throw new Error(decoded.detail);
  const resolved = resolvePack(decoded.pack, NOW_S * 1000);
  if (resolved.kind === 'refused') throw new Error(resolved.detail);
  expect(resolved.refused).toEqual([]);
  return resolved.records.map(withoutGaps);
}

describe('the worked examples of RFC 8428 section 5.1', () => {
  it('5.1.1: a single data point is measured now', () => {
    expect(resolve('[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]')).toEqual([
      { n: 'urn:dev:ow:10e2073a01080063', u: 'Cel', t: NOW_S, v: 23.1 },
    ]);
  });

  it('5.1.2, first: the base name goes before each name', () => {
    const pack = `[
      {"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
      {"n":"current","u":"A","v":1.2}
    ]`;
    expect(resolve(pack)).toEqual([
      { n: 'urn:dev:ow:10e2073a01080063:voltage', u: 'V', t: NOW_S, v: 120.1 },
      { n: 'urn:dev:ow:10e2073a01080063:current', u: 'A', t: NOW_S, v: 1.2 },
    ]);
  });

  it('5.1.2, second: times count from the base time, the base unit stands in, version 5 is taken', () => {
    const pack = `[
      {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
      {"n":"current","t":-5,"v":1.2},
      {"n":"current","t":-4,"v":1.3},
      {"n":"current","t":-3,"v":1.4},
      {"n":"current","t":-2,"v":1.5},
      {"n":"current","t":-1,"v":1.6},
      {"n":"current","v":1.7}
    ]`;
    const current = { n: 'urn:dev:ow:10e2073a0108006:current', u: 'A' };
    // The times as the working group's own resolved form of this example has them.
    expect(resolve(pack)).toEqual([
      { n: 'urn:dev:ow:10e2073a0108006:voltage', u: 'V', t: 1.276020076001e9, v: 120.1 },
      { ...current, t: 1.276020071001e9, v: 1.2 },
      { ...current, t: 1.276020072001e9, v: 1.3 },
      { ...current, t: 1.276020073001e9, v: 1.4 },
      { ...current, t: 1.276020074001e9, v: 1.5 },
      { ...current, t: 1.276020075001e9, v: 1.6 },
      { ...current, t: 1.276020076001e9, v: 1.7 },
    ]);
  });

  it('5.1.2, third: a stream that has been closed is a pack', () => {
    const pack = `[
      {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":21.2},
      {"t":10,"v":21.3},{"t":20,"v":21.4},{"t":30,"v":21.4},{"t":40,"v":21.5},
      {"t":50,"v":21.5},{"t":60,"v":21.5},{"t":70,"v":21.6},{"t":80,"v":21.7}
    ]`;
    const values = [21.2, 21.3, 21.4, 21.4, 21.5, 21.5, 21.5, 21.6, 21.7];
    expect(resolve(pack)).toEqual(
      values.map((v, i) => ({ n: 'urn:dev:ow:10e2073a01080063', u: '%RH', t: 1_320_067_464 + 10 * i, v })),
    );
  });

  it('5.1.3 resolves to 5.1.4', () => {
    const pack = `[
      {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
      {"u":"lon","v":24.30621},{"u":"lat","v":60.07965},
      {"t":60,"v":20.3},{"u":"lon","t":60,"v":24.30622},{"u":"lat","t":60,"v":60.07965},
      {"t":120,"v":20.7},{"u":"lon","t":120,"v":24.30623},{"u":"lat","t":120,"v":60.07966},
      {"u":"%EL","t":150,"v":98},
      {"t":180,"v":21.2},{"u":"lon","t":180,"v":24.30628},{"u":"lat","t":180,"v":60.07967}
    ]`;
    const n = 'urn:dev:ow:10e2073a01080063';
    expect(resolve(pack)).toEqual([
      { n, u: '%RH', t: 1.320067464e9, v: 20 },
      { n, u: 'lon', t: 1.320067464e9, v: 24.30621 },
      { n, u: 'lat', t: 1.320067464e9, v: 60.07965 },
      { n, u: '%RH', t: 1.320067524e9, v: 20.3 },
      { n, u: 'lon', t: 1.320067524e9, v: 24.30622 },
      { n, u: 'lat', t: 1.320067524e9, v: 60.07965 },
      { n, u: '%RH', t: 1.320067584e9, v: 20.7 },
      { n, u: 'lon', t: 1.320067584e9, v: 24.30623 },
      { n, u: 'lat', t: 1.320067584e9, v: 60.07966 },
      { n, u: '%EL', t: 1.320067614e9, v: 98 },
      { n, u: '%RH', t: 1.320067644e9, v: 21.2 },
      { n, u: 'lon', t: 1.320067644e9, v: 24.30628 },
      { n, u: 'lat', t: 1.320067644e9, v: 60.07967 },
    ]);
  });

  it('5.1.5: numbers, text, booleans and data', () => {
    const pack = `[
      {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
      {"n":"label","vs":"Machine Room"},{"n":"open","vb":false},{"n":"nfv-reader","vd":"aGkgCg"}
    ]`;
    expect(resolve(pack)).toEqual([
      { n: 'urn:dev:ow:10e2073a01080063:temp', u: 'Cel', t: NOW_S, v: 23.1 },
      { n: 'urn:dev:ow:10e2073a01080063:label', t: NOW_S, vs: 'Machine Room' },
      { n: 'urn:dev:ow:10e2073a01080063:open', t: NOW_S, vb: false },
      { n: 'urn:dev:ow:10e2073a01080063:nfv-reader', t: NOW_S, vd: 'aGkgCg' },
    ]);
  });

  it('5.1.6: a new base name leaves the base time in force', () => {
    const pack = `[
      {"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},
      {"n":"humidity","u":"%RH","v":30},
      {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
      {"n":"humidity","u":"%RH","v":67}
    ]`;
    const t = 1.320078429e9;
    expect(resolve(pack)).toEqual([
      { n: '2001:db8::2/temperature', u: 'Cel', t, v: 25.2 },
      { n: '2001:db8::2/humidity', u: '%RH', t, v: 30 },
      { n: '2001:db8::1/temperature', u: 'Cel', t, v: 12.3 },
      { n: '2001:db8::1/humidity', u: '%RH', t, v: 67 },
    ]);
  });

  it('5.1.7, first: a record of base fields alone is no measurement', () => {
    const pack = `[
      {"bn":"urn:dev:ow:10e2073a01080063:"},
      {"n":"temp","u":"Cel","v":23.1},{"n":"heat","u":"/","v":1},{"n":"fan","u":"/","v":0}
    ]`;
    expect(resolve(pack).map(({ n, v }) => [n, v])).toEqual([
      ['urn:dev:ow:10e2073a01080063:temp', 23.1],
      ['urn:dev:ow:10e2073a01080063:heat', 1],
      ['urn:dev:ow:10e2073a01080063:fan', 0],
    ]);
  });

  it('5.1.7, second and third: two lights, now and 100 ms from now', () => {
    const pack = `[
      {"bt":1.320078429e+09,"bu":"/","n":"2001:db8::3","v":0.5},{"n":"2001:db8::4","v":0.5},
      {"n":"2001:db8::3","t":0.1,"v":0},{"n":"2001:db8::4","t":0.1,"v":0}
    ]`;
    expect(resolve(pack)).toEqual([
      { n: '2001:db8::3', u: '/', t: 1.320078429e9, v: 0.5 },
      { n: '2001:db8::4', u: '/', t: 1.320078429e9, v: 0.5 },
      { n: '2001:db8::3', u: '/', t: 1.3200784291e9, v: 0 },
      { n: '2001:db8::4', u: '/', t: 1.3200784291e9, v: 0 },
    ]);
  });
});

describe('the rules of RFC 8428 section 4', () => {
  const rules: { why: string; pack: string; resolved: Partial<SenmlRecord>[] }[] = [
    {
      why: '4.5.3: below 2^28 a time counts from now',
      pack: '[{"n":"a","t":-10,"v":1},{"n":"a","t":268435455,"v":2}]',
      resolved: [{ t: NOW_S - 10 }, { t: NOW_S + 268_435_455 }],
    },
    {
      why: '4.5.3: from 2^28 on it is absolute, 1978-07-04T21:24:16Z being the first',
      pack: '[{"n":"a","t":268435456,"v":1}]',
      resolved: [{ t: Date.parse('1978-07-04T21:24:16Z') / 1000 }],
    },
    {
      why: '4.5.3: base time and time are added before that is decided',
      pack: '[{"bt":268435450,"n":"a","t":6,"v":1}]',
      resolved: [{ t: 268_435_456 }],
    },
    {
      why: '4.5.4: base value and value are added, the missing one is zero',
      pack: '[{"bv":100,"n":"a","v":20.5},{"n":"b"},{"n":"c","vs":"x"}]',
      resolved: [{ v: 120.5 }, { v: 100 }, { vs: 'x' }],
    },
    {
      why: '4.5.4: base sum and sum likewise, and a sum needs no value',
      pack: '[{"n":"a","v":1},{"n":"b","s":7},{"bs":10,"n":"c","s":5},{"n":"d"}]',
      resolved: [{ v: 1 }, { s: 7 }, { s: 15 }, { s: 10 }],
    },
    {
      why: '4.1: base fields hold from their record on, not before it',
      pack: '[{"n":"a","v":1},{"bu":"W","n":"b","v":2},{"n":"c","u":"V","v":3},{"n":"d","v":4}]',
      resolved: [{ n: 'a' }, { u: 'W' }, { u: 'V' }, { u: 'W' }],
    },
    {
      why: '4.4: a label that is not known is ignored',
      pack: '[{"n":"a","v":1,"x":{"deep":[1]},"__proto__x":2}]',
      resolved: [{ n: 'a', v: 1 }],
    },
    {
      why: '4.2: the update time goes with its record',
      pack: '[{"n":"a","v":1,"ut":5}]',
      resolved: [{ ut: 5 }],
    },
  ];
  it.each(rules)('$why', ({ pack, resolved }) => {
    expect(resolve(pack)).toMatchObject(resolved);
  });

  const refusedRecords: { why: string; record: string; reason: string }[] = [
    { why: '4.5.1: a name begins with a letter or a digit', record: '{"n":"/l1.v","v":1}', reason: 'name' },
    { why: '4.5.1: a name has no blanks', record: '{"n":"l1 v","v":1}', reason: 'name' },
    { why: '4.5.1: a record needs a name', record: '{"v":1}', reason: 'name' },
    { why: 'table 1: a name is text', record: '{"n":1,"v":1}', reason: 'name' },
    { why: '4.2: one value', record: '{"n":"a"}', reason: 'no-value' },
    { why: '4.2: exactly one value', record: '{"n":"a","v":1,"vb":true}', reason: 'several-values' },
    { why: 'table 1: v is a number', record: '{"n":"a","v":"1"}', reason: 'not-a-number' },
    { why: 'table 1: v is a number, not null', record: '{"n":"a","v":null}', reason: 'not-a-number' },
    { why: 'a number that overflows a double', record: '{"n":"a","v":1e999}', reason: 'not-a-number' },
    { why: 'table 1: s is a number', record: '{"n":"a","s":true}', reason: 'not-a-number' },
    { why: 'table 1: ut is a number', record: '{"n":"a","v":1,"ut":"5"}', reason: 'not-a-number' },
    { why: 'table 1: vb is a boolean', record: '{"n":"a","vb":1}', reason: 'value-type' },
    { why: 'table 1: vs is text', record: '{"n":"a","vs":1}', reason: 'value-type' },
    { why: 'table 1: vd is text', record: '{"n":"a","vd":1}', reason: 'value-type' },
    { why: 'table 1: u is text', record: '{"n":"a","u":1,"v":1}', reason: 'unit' },
    { why: 'table 1: t is a number', record: '{"n":"a","t":"now","v":1}', reason: 'time' },
  ];
  it.each(refusedRecords)('sets one record aside and keeps the rest: $why', ({ record, reason }) => {
    const resolved = resolvePack([{ n: 'before', v: 1 }, JSON.parse(record), { n: 'after', v: 2 }], 0);
    if (resolved.kind === 'refused') throw new Error(resolved.detail);
    expect(resolved.records.map(({ n }) => n)).toEqual(['before', 'after']);
    expect(resolved.refused.map((refused) => refused.reason)).toEqual([reason]);
    expect(resolved.refused[0]?.detail).toMatch(/^The record ".*" must .+\.$/);
  });

  const refusedPacks: { why: string; pack: string; reason: string }[] = [
    {
      why: '4.4: a label that ends in _ must be understood',
      pack: '[{"n":"a","v":1,"x_":1}]',
      reason: 'mandatory-label',
    },
    {
      why: 'the same for the last record',
      pack: '[{"n":"a","v":1},{"n":"b","v":1,"bx_":1}]',
      reason: 'mandatory-label',
    },
    { why: 'section 11: a pack has a record', pack: '[]', reason: 'not-senml' },
    { why: 'section 5: a record is an object', pack: '[{"n":"a","v":1},[]]', reason: 'not-senml' },
    { why: 'section 5: a record is not null', pack: '[null]', reason: 'not-senml' },
    {
      why: 'a base name that is no text would misname all that follow',
      pack: '[{"bn":1,"n":"a","v":1}]',
      reason: 'not-senml',
    },
    {
      why: 'a base name without end',
      pack: `[{"bn":"${'x'.repeat(300)}","n":"a","v":1}]`,
      reason: 'not-senml',
    },
    {
      why: 'a base time that is no number would misdate all',
      pack: '[{"bt":"0","n":"a","v":1}]',
      reason: 'not-senml',
    },
    { why: 'a base unit that is no text', pack: '[{"bu":1,"n":"a","v":1}]', reason: 'not-senml' },
    { why: 'a base value that is no number', pack: '[{"bv":null,"n":"a","v":1}]', reason: 'not-senml' },
    { why: 'a base sum that is no number', pack: '[{"bs":[],"n":"a","v":1}]', reason: 'not-senml' },
  ];
  it.each(refusedPacks)('refuses the pack: $why', ({ pack, reason }) => {
    expect(resolvePack(JSON.parse(pack), 0)).toMatchObject({ kind: 'refused', reason });
  });
});

describe('versions: RFC 8428 section 4.4, RFC 9100 sections 2 to 4', () => {
  const pack = (...versions: (unknown | undefined)[]) =>
    versions.map((bver) => (bver === undefined ? { n: 'a', v: 1 } : { n: 'a', v: 1, bver }));
  const cases: { why: string; versions: unknown[]; kind: 'resolved' | 'refused' }[] = [
    { why: 'none stands for 10', versions: [undefined], kind: 'resolved' },
    { why: '10 is RFC 8428', versions: [10], kind: 'resolved' },
    { why: '5 is what the example of 5.1.2 says', versions: [5], kind: 'resolved' },
    { why: '26 = 10 + 2^4 is secondary units (RFC 9100 section 4)', versions: [26], kind: 'resolved' },
    { why: 'a base version holds for the records after it', versions: [26, undefined], kind: 'resolved' },
    {
      why: '42 = 10 + 2^5 is the feature RFC 9100 section 2.2 calls a future one',
      versions: [42],
      kind: 'refused',
    },
    { why: '58 has a known and an unknown feature', versions: [58], kind: 'refused' },
    { why: '11 sets Reserved0 (RFC 9100 section 3)', versions: [11], kind: 'refused' },
    { why: '16 lacks Reserved1 and Reserved3', versions: [16], kind: 'refused' },
    { why: '2^52 + 10 is the highest feature', versions: [2 ** 52 + 10], kind: 'refused' },
    { why: 'a version is positive', versions: [0], kind: 'refused' },
    { why: 'a version is an integer', versions: [9.5], kind: 'refused' },
    { why: 'a version is a number', versions: ['10'], kind: 'refused' },
    { why: 'all records have the same', versions: [10, 26], kind: 'refused' },
    { why: 'also where the first one left it at 10', versions: [undefined, 26], kind: 'refused' },
    { why: 'saying 10 later changes nothing', versions: [undefined, 10], kind: 'resolved' },
  ];
  it.each(cases)('$kind: $why', ({ versions, kind }) => {
    const resolved = resolvePack(pack(...versions), 0);
    expect(resolved.kind).toBe(kind);
    if (resolved.kind === 'refused') expect(resolved.reason).toBe('version');
  });
});
