// SenML in JSON: what is read, what is refused, and that a number that is none costs its own record only.
import { describe, expect, it } from 'vitest';
import { resolvePack } from './senml.ts';
import { decodeJson, encodeJson } from './senml-json.ts';

function decodeText(text: string) {
  return decodeJson(new TextEncoder().encode(text));
}

describe('SenML in JSON', () => {
  it('writes what it reads', () => {
    const records = [
      { bn: 'urn:dev:x:', bt: 1.7e9, n: 'l1.v', u: 'V', v: 120.25 },
      { n: 'label', vs: 'Grüße 🌡' },
    ];
    expect(decodeJson(encodeJson(records))).toEqual({ kind: 'decoded', pack: records });
  });

  const noPacks: { why: string; payload: Uint8Array; reason: string }[] = [
    { why: 'an object', payload: new TextEncoder().encode('{}'), reason: 'not-senml' },
    { why: 'a pack cut short', payload: new TextEncoder().encode('[{"n":"a","v":1}'), reason: 'not-senml' },
    { why: 'nothing', payload: new Uint8Array(), reason: 'not-senml' },
    {
      why: 'bytes that are not UTF-8',
      payload: Uint8Array.of(0x5b, 0x22, 0xc3, 0x28, 0x22, 0x5d),
      reason: 'not-senml',
    },
    { why: 'UTF-16', payload: Uint8Array.of(0xff, 0xfe, 0x5b, 0x00, 0x5d, 0x00), reason: 'not-senml' },
    {
      why: 'half a million lists in each other',
      payload: new TextEncoder().encode('['.repeat(500_000) + ']'.repeat(500_000)),
      reason: 'nested-too-deep',
    },
    {
      why: 'an extension field that nests too deep',
      payload: new TextEncoder().encode(`[{"n":"a","v":1,"x":${'['.repeat(15)}${']'.repeat(15)}}]`),
      reason: 'nested-too-deep',
    },
  ];
  it.each(noPacks)('refuses $why', ({ payload, reason }) => {
    expect(decodeJson(payload)).toMatchObject({ kind: 'refused', reason });
  });

  it('reads the next payload after one that was not UTF-8', () => {
    decodeJson(Uint8Array.of(0x5b, 0xe2, 0x82));
    expect(decodeText('[1]')).toEqual({ kind: 'decoded', pack: [1] });
  });

  // RFC 8259 has no such numbers; common practice of JSON writers all the same.
  it.each(['NaN', 'nan', '-nan', 'Infinity', '-Infinity', 'inf', '-inf'])(
    'loses only the record whose value is %s',
    (value) => {
      const decoded = decodeText(
        `[{"n":"l1.v","v": ${value} },{"n":"l2.v","v":120,"ut":${value}},{"n":"l1.p","v":1}]`,
      );
      if (decoded.kind === 'refused') throw new Error(decoded.detail);
      const resolved = resolvePack(decoded.pack, 0);
      if (resolved.kind === 'refused') throw new Error(resolved.detail);
      expect(resolved.records.map(({ n }) => n)).toEqual(['l1.p']);
      expect(resolved.refused.map(({ name, reason }) => [name, reason])).toEqual([
        ['l1.v', 'not-a-number'],
        ['l2.v', 'not-a-number'],
      ]);
    },
  );

  it('gives up in good time on a megabyte of blanks after a colon', () => {
    const decoded = decodeText(`[{"v":${' '.repeat(500_000)}x${':'.repeat(500_000)}`);
    expect(decoded).toMatchObject({ kind: 'refused', reason: 'not-senml' });
  });
});
