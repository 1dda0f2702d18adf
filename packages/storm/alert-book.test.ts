// Which alerts are in force, and which of them a site charges for: updates, cancellations, expiry, tests, replay.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { aWarning, aWarningInfo } from './a-warning.fixture.ts';
import { alertsInForce, callsForCharging, openPreparations } from './alert-book.ts';
import { parseCap } from './cap.ts';
import { BILINGUAL_ALERT, EARTHQUAKE_UPDATE, THUNDERSTORM_WARNING } from './cap-examples.fixture.ts';
import type { CapAlert, CapInfo, CapReference } from './cap-types.ts';

const HOUR_MS = 3_600_000;
/** All times below are hours after this. */
const START_MS = Date.parse('2026-01-15T06:00:00-07:00');
const at = (hours: number) => START_MS + hours * HOUR_MS;
const DENVER = { lat: 39.74, lon: -104.99, geocodes: [{ system: 'SAME', code: '008031' }] };

function anInfo(info: Partial<CapInfo> = {}): CapInfo {
  return aWarningInfo({ onsetMs: at(12), expiresMs: at(24), ...info });
}

function aMessage(identifier: string, sentHours: number, message: Partial<CapAlert> = {}): CapAlert {
  const reference = { sender: 'weather@example.org', identifier, sentMs: at(sentHours) };
  return aWarning({ ...reference, infos: [anInfo()], ...message });
}

const refersTo = (...messages: CapAlert[]): CapReference[] =>
  messages.map(({ sender, identifier, sentMs }) => ({ sender, identifier, sentMs }));
const idsInForce = (messages: CapAlert[], hours: number) =>
  alertsInForce(messages, at(hours)).map(({ identifier }) => identifier);

describe('an alert', () => {
  const alert = aMessage('a', 0);

  it.each([
    { hours: -0.001, inForce: [], why: 'not before it was sent' },
    { hours: 0, inForce: ['a'], why: 'from when it was sent' },
    { hours: 24, inForce: ['a'], why: 'up to the very time it expires' },
    { hours: 24.001, inForce: [], why: 'not after' },
  ])('is in force $why', ({ hours, inForce }) => {
    expect(idsInForce([alert], hours)).toEqual(inForce);
  });

  it('without an expiry is in force for a day after its onset', () => {
    const lasting = aMessage('a', 0, { infos: [anInfo({ expiresMs: null })] });
    expect(idsInForce([lasting], 36)).toEqual(['a']);
    expect(idsInForce([lasting], 36.1)).toEqual([]);
    const begun = aMessage('a', 0, { infos: [anInfo({ expiresMs: null, onsetMs: null })] });
    expect(idsInForce([begun], 24.1)).toEqual([]);
  });

  it('received twice counts once', () => {
    expect(idsInForce([alert, structuredClone(alert)], 1)).toEqual(['a']);
  });

  it('with several infos is in force until the last has expired', () => {
    const two = aMessage('a', 0, { infos: [anInfo({ expiresMs: at(2) }), anInfo({ expiresMs: at(4) })] });
    expect(idsInForce([two], 3)).toEqual(['a']);
  });

  it.each(['Exercise', 'System', 'Test', 'Draft'] as const)('of status %s is never in force', (status) => {
    expect(idsInForce([aMessage('a', 0, { status })], 1)).toEqual([]);
  });
});

describe('an update', () => {
  const alert = aMessage('a', 0);
  const update = aMessage('b', 2, { messageType: 'Update', references: refersTo(alert) });

  it('takes the place of what it refers to, from when it was sent', () => {
    expect(idsInForce([alert, update], 1.9)).toEqual(['a']);
    expect(idsInForce([alert, update], 2)).toEqual(['b']);
  });

  it('does so whatever the order in which they were received', () => {
    expect(idsInForce([update, alert], 2)).toEqual(['b']);
  });

  it('that has expired does not bring the earlier one back', () => {
    const brief = { ...update, infos: [anInfo({ expiresMs: at(3) })] };
    expect(idsInForce([alert, brief], 4)).toEqual([]);
  });

  it('of an update leaves neither of the earlier ones', () => {
    const next = aMessage('c', 3, { messageType: 'Update', references: refersTo(update) });
    expect(idsInForce([alert, update, next], 3)).toEqual(['c']);
  });

  it('may take the place of several', () => {
    const other = aMessage('x', 1);
    const both = aMessage('b', 2, { messageType: 'Update', references: refersTo(alert, other) });
    expect(idsInForce([alert, other, both], 2)).toEqual(['b']);
  });

  it('that is a test takes nothing’s place', () => {
    expect(idsInForce([alert, { ...update, status: 'Test' }], 2)).toEqual(['a']);
  });

  it('of a message with the same identifier from another sender, or sent at another time, leaves it alone', () => {
    const strangers = refersTo(alert).flatMap((reference) => [
      { ...reference, sender: 'other@example.org' },
      { ...reference, sentMs: at(0.5) },
    ]);
    expect(idsInForce([alert, { ...update, references: strangers }], 2)).toEqual(['a', 'b']);
  });

  it('that refers to itself stays in force', () => {
    expect(idsInForce([{ ...update, references: refersTo(update) }], 2)).toEqual(['b']);
  });
});

describe('a cancellation', () => {
  const alert = aMessage('a', 0);
  const cancel = aMessage('c', 2, { messageType: 'Cancel', references: refersTo(alert) });

  it('voids what it refers to and is itself no alert', () => {
    expect(idsInForce([alert, cancel], 1.9)).toEqual(['a']);
    expect(idsInForce([alert, cancel], 2)).toEqual([]);
  });

  it.each(['Ack', 'Error'] as const)('is not an %s', (messageType) => {
    expect(idsInForce([alert, { ...cancel, messageType }], 2)).toEqual(['a']);
  });
});

it('knows the earthquake report of CAP 1.2 (A.3) as an update of a message it has not seen', () => {
  const result = parseCap(EARTHQUAKE_UPDATE);
  if (!result.ok) throw new Error('the example of the standard is refused');
  expect(alertsInForce([result.alert], result.alert.sentMs)).toHaveLength(1);
});

describe('an event to charge for', () => {
  it.each([
    { calls: true, info: {}, why: 'an ice storm is coming' },
    {
      calls: true,
      info: { responseTypes: [], severity: 'Extreme' },
      why: 'it is extreme, though nobody says prepare',
    },
    { calls: true, info: { severity: 'Moderate' }, why: 'its source says prepare' },
    {
      calls: false,
      info: { severity: 'Moderate', responseTypes: ['Monitor'] },
      why: 'moderate, and only to be watched',
    },
    { calls: false, info: { urgency: 'Past' }, why: 'it is over' },
    { calls: false, info: { certainty: 'Unlikely' }, why: 'it is not expected to happen' },
    { calls: false, info: { responseTypes: ['AllClear', 'Prepare'] }, why: 'it is the all-clear' },
    { calls: true, info: { categories: ['Infra'] }, why: 'the utility is about to switch off' },
    { calls: true, info: { categories: ['Health', 'Fire'] }, why: 'smoke, but also fire' },
    { calls: false, info: { categories: ['Rescue'] }, why: 'a missing child does not take the grid down' },
    { calls: false, info: { categories: ['Security'] }, why: 'nor does a threat level' },
  ] satisfies { calls: boolean; info: Partial<CapInfo>; why: string }[])(
    '$calls: $why',
    ({ calls, info }) => {
      expect(callsForCharging(anInfo(info))).toBe(calls);
    },
  );

  it('is the thunderstorm of CAP 1.2 (A.2) and not its child abduction (A.4)', () => {
    const infosOf = (document: string) => {
      const result = parseCap(document);
      return result.ok ? result.alert.infos : [];
    };
    expect(infosOf(THUNDERSTORM_WARNING).map(callsForCharging)).toEqual([true]);
    expect(infosOf(BILINGUAL_ALERT).map(callsForCharging)).toEqual([false, false]);
  });
});

describe('a preparation', () => {
  const alert = aMessage('a', 0);

  it('is open from when the alert was sent to its onset', () => {
    expect(openPreparations([alert], DENVER, at(-0.1))).toEqual([]);
    expect(openPreparations([alert], DENVER, at(0))).toMatchObject([
      { sinceMs: at(0), onsetMs: at(12), untilMs: at(12) },
    ]);
    expect(openPreparations([alert], DENVER, at(12))).toEqual([]);
  });

  it('ends with the alert when that expires before the onset', () => {
    const brief = aMessage('a', 0, { infos: [anInfo({ expiresMs: at(6) })] });
    expect(openPreparations([brief], DENVER, at(1))).toMatchObject([{ onsetMs: at(12), untilMs: at(6) }]);
  });

  it.each([
    { onsetMs: null, why: 'has no onset' },
    { onsetMs: at(0), why: 'has begun when it is sent' },
    { onsetMs: at(-3), why: 'began before it was sent' },
  ])('lasts as long as the alert where the event $why', ({ onsetMs }) => {
    const begun = aMessage('a', 0, { infos: [anInfo({ onsetMs })] });
    expect(openPreparations([begun], DENVER, at(1))).toMatchObject([{ onsetMs: null, untilMs: at(24) }]);
  });

  it('goes on through an update, from the first alert to the new onset', () => {
    const later = anInfo({ onsetMs: at(18) });
    const update = aMessage('b', 2, { messageType: 'Update', references: refersTo(alert), infos: [later] });
    const last = anInfo({ onsetMs: at(18), headline: 'Still on its way' });
    const next = aMessage('c', 3, { messageType: 'Update', references: refersTo(update), infos: [last] });
    expect(openPreparations([alert, update, next], DENVER, at(4))).toMatchObject([
      { info: { headline: 'Still on its way' }, sinceMs: at(0), onsetMs: at(18) },
    ]);
  });

  it('does not open anew when the alert is updated during the storm', () => {
    const update = aMessage('b', 13, { messageType: 'Update', references: refersTo(alert) });
    expect(openPreparations([alert, update], DENVER, at(14))).toEqual([]);
  });

  it('is closed by a cancellation, and by an update to something milder', () => {
    const references = refersTo(alert);
    const cancel = aMessage('c', 2, { messageType: 'Cancel', references });
    const mild = anInfo({ severity: 'Minor', responseTypes: [] });
    const update = aMessage('b', 2, { messageType: 'Update', references, infos: [mild] });
    expect(openPreparations([alert, cancel], DENVER, at(3))).toEqual([]);
    expect(openPreparations([alert, update], DENVER, at(3))).toEqual([]);
  });

  it('is not opened by an alert for elsewhere', () => {
    const pueblo = { lat: 38.25, lon: -104.61, geocodes: [{ system: 'SAME', code: '008101' }] };
    expect(openPreparations([alert], pueblo, at(1))).toEqual([]);
  });

  it('is one for an alert in two languages', () => {
    const bilingual = aMessage('a', 0, { infos: [anInfo(), anInfo({ language: 'es-US' })] });
    expect(openPreparations([bilingual], DENVER, at(1))).toHaveLength(1);
  });

  it('is first the one with the nearest onset', () => {
    const sooner = aMessage('b', 1, { infos: [anInfo({ event: 'High Wind Warning', onsetMs: at(5) })] });
    const events = openPreparations([alert, sooner], DENVER, at(2)).map(({ info }) => info.event);
    expect(events).toEqual(['High Wind Warning', 'Ice Storm Warning']);
  });
});

describe('any messages, in any order', () => {
  const messages = fc
    .array(
      fc.record({
        sentHours: fc.integer({ min: 0, max: 20 }),
        type: fc.constantFrom('Alert', 'Update', 'Cancel', 'Ack', 'Error' as const),
        status: fc.constantFrom('Actual', 'Test' as const),
        refersTo: fc.array(fc.nat(7), { maxLength: 3 }),
      }),
      { maxLength: 8 },
    )
    .map((drafts) => {
      const plain = drafts.map(({ sentHours, type, status }, i) =>
        aMessage(`m${i}`, sentHours, { messageType: type, status }),
      );
      return plain.map((message, i) => ({
        ...message,
        references: (drafts[i]?.refersTo ?? []).flatMap((index) =>
          refersTo(...plain.slice(index, index + 1)),
        ),
      }));
    });

  it('give the same alerts in force, and the past does not change when later messages come in', () => {
    fc.assert(
      fc.property(
        messages,
        fc.integer({ min: 0, max: 30 }),
        fc.infiniteStream(fc.nat()),
        (all, hours, order) => {
          const expected = idsInForce(all, hours).sort();
          const shuffled = all
            .map((message) => ({ message, key: order.next().value }))
            .sort((a, b) => a.key - b.key);
          expect(
            idsInForce(
              shuffled.map(({ message }) => message),
              hours,
            ).sort(),
          ).toEqual(expected);
          expect(
            idsInForce(
              all.filter(({ sentMs }) => sentMs <= at(hours)),
              hours,
            ).sort(),
          ).toEqual(expected);
        },
      ),
    );
  });
});
