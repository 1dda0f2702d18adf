// A device's state: every key optional, types strict, unknown keys ignored, nothing that no database takes.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { decodeState, LAST_WILL } from './state.ts';

const NOTHING_SAID = { online: null, firmware: null, selfTest: null, clock: null, settings: null };

function decodeText(text: string) {
  return decodeState(new TextEncoder().encode(text));
}

describe('device state', () => {
  it('takes the whole of it', () => {
    const state = {
      online: true,
      firmware: '2.4.1',
      selfTest: { at: '2026-03-08T01:59:59.5-07:00', passed: true, detail: 'all contacts' },
      clock: '2026-03-08T09:00:00Z',
      settings: { reservePct: 20 },
      model: 'ignored',
    };
    expect(decodeText(JSON.stringify(state))).toEqual({
      kind: 'accepted',
      state: {
        online: true,
        firmware: '2.4.1',
        selfTest: { at: Date.UTC(2026, 2, 8, 8, 59, 59, 500), passed: true, detail: 'all contacts' },
        clock: Date.UTC(2026, 2, 8, 9),
        settings: { reservePct: 20 },
      },
    });
  });

  it('takes the Last Will', () => {
    expect(decodeText(LAST_WILL)).toEqual({ kind: 'accepted', state: { ...NOTHING_SAID, online: false } });
  });

  it.each(['{}', '', '{"online":null}'])('takes %j as saying nothing', (text) => {
    expect(decodeText(text)).toEqual({ kind: 'accepted', state: NOTHING_SAID });
  });

  const refused: { why: string; text: string; reason: string; detail: RegExp }[] = [
    { why: 'no JSON', text: 'online', reason: 'not-state', detail: /JSON/ },
    { why: 'a list', text: '[]', reason: 'not-state', detail: /state must be an object/ },
    {
      why: 'online as text',
      text: '{"online":"yes"}',
      reason: 'not-state',
      detail: /state\.online must be true or false/,
    },
    {
      why: 'firmware as a number',
      text: '{"firmware":2.4}',
      reason: 'not-state',
      detail: /state\.firmware must be a string/,
    },
    {
      why: 'a self-test without a result',
      text: '{"selfTest":{"at":"2026-01-01T00:00:00Z"}}',
      reason: 'not-state',
      detail: /state\.selfTest\.passed/,
    },
    {
      why: 'a clock without an offset (RFC 3339 section 5.6)',
      text: '{"clock":"2026-01-01T00:00:00"}',
      reason: 'not-state',
      detail: /state\.clock .*RFC 3339/,
    },
    {
      why: '30 February',
      text: '{"clock":"2026-02-30T00:00:00Z"}',
      reason: 'not-state',
      detail: /state\.clock/,
    },
    {
      why: 'settings as text',
      text: '{"settings":"fast"}',
      reason: 'not-state',
      detail: /state\.settings must be an object/,
    },
    { why: 'NUL in a text', text: '{"firmware":"1\\u0000"}', reason: 'not-state', detail: /U\+0000/ },
    {
      why: 'half a surrogate pair, deep within',
      text: '{"settings":{"a":["\\ud800"]}}',
      reason: 'not-state',
      detail: /surrogate/,
    },
    { why: 'NUL in a key', text: '{"settings":{"\\u0000":1}}', reason: 'not-state', detail: /U\+0000/ },
    {
      why: 'settings that nest too deep',
      text: `{"settings":{"a":${'['.repeat(20)}${']'.repeat(20)}}}`,
      reason: 'nested-too-deep',
      detail: /16 levels/,
    },
    {
      why: 'more than 64 KiB',
      text: `{"firmware":"${'x'.repeat(70_000)}"}`,
      reason: 'payload-too-large',
      detail: /65536/,
    },
    {
      why: 'lists in lists to the brim',
      text: '['.repeat(60_000) + ']'.repeat(5_000),
      reason: 'not-state',
      detail: /JSON/,
    },
  ];
  it.each(refused)('refuses $why', ({ text, reason, detail }) => {
    const decoded = decodeText(text);
    expect(decoded).toMatchObject({ kind: 'refused', reason });
    if (decoded.kind === 'refused') expect(decoded.detail).toMatch(detail);
  });

  it('answers whatever the payload', () => {
    fc.assert(fc.property(fc.uint8Array({ maxLength: 200 }), (payload) => void decodeState(payload)));
    fc.assert(fc.property(fc.json(), (text) => void decodeText(text)));
  });
});
