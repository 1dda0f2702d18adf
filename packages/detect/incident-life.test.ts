// One fault gives one incident however its signal flaps; missing data neither raise nor clear one.

import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { ABSENT, type Present, type Verdict } from './detector.ts';
import {
  close,
  type Delays,
  hear,
  isStanding,
  type Life,
  passTime,
  type Step,
  startLife,
} from './incident-life.ts';

const MINUTE_MS = 60_000;
const HOUR_MS = 60 * MINUTE_MS;
const DELAYS: Delays = { onDelayMs: 10 * MINUTE_MS, offDelayMs: 5 * MINUTE_MS };
const UNKNOWN: Verdict = { is: 'unknown', why: 'no reading' };

function present(sinceMs: number, more: Partial<Present> = {}): Present {
  return {
    is: 'present',
    sinceMs,
    confidence: 1,
    facts: {},
    evidence: () => ({ fromMs: sinceMs, toMs: sinceMs, series: [], figures: [] }),
    ...more,
  };
}

/** Hears 'p'resent since its first in a row, 'a'bsent, 'u'nknown or nothing ('.') once a minute. */
function play(word: string, life: Life = startLife(), delays = DELAYS): string[] {
  const told: string[] = [];
  let sinceMs: number | null = null;
  for (const [minute, letter] of [...word].entries()) {
    const nowMs = minute * MINUTE_MS;
    if (letter === 'p') sinceMs ??= nowMs;
    if (letter === 'a') sinceMs = null;
    const verdict = letter === 'p' ? present(sinceMs ?? nowMs) : letter === 'a' ? ABSENT : UNKNOWN;
    const steps = [
      letter === '.' ? undefined : hear(life, verdict, nowMs, delays),
      passTime(life, nowMs, delays),
    ];
    for (const step of steps) if (step !== undefined) told.push(`${step.type} ${minute}`);
  }
  return told;
}

describe('the life of an incident', () => {
  it.each([
    { word: 'p'.repeat(11), told: ['raised 10'], why: 'the fault stood for the on-delay' },
    { word: 'p'.repeat(10), told: [], why: 'a minute short of the on-delay' },
    { word: `${'p'.repeat(9)}a${'p'.repeat(9)}`, told: [], why: 'an absence begins the on-delay anew' },
    { word: `pppp${'u'.repeat(20)}`, told: [], why: 'unknown never raises' },
    { word: `pppp${'.'.repeat(20)}`, told: [], why: 'silence never raises' },
    { word: `pppp${'u'.repeat(5)}pp`, told: ['raised 10'], why: 'unknown does not end the wait' },
    { word: `${'p'.repeat(11)}aaaaaa`, told: ['raised 10', 'cleared 16'], why: 'absent for the off-delay' },
    {
      word: `${'p'.repeat(11)}aaaap`,
      told: ['raised 10'],
      why: 'back within the off-delay: the same incident',
    },
    { word: `${'p'.repeat(11)}a${'.'.repeat(9)}`, told: ['raised 10', 'cleared 16'], why: 'disproved once' },
    { word: `${'p'.repeat(11)}a${'u'.repeat(9)}`, told: ['raised 10'], why: 'unknown never clears' },
    { word: `${'p'.repeat(11)}auuuuuua`, told: ['raised 10', 'cleared 18'], why: 'absent again after it' },
  ])('$word: $why', ({ word, told }) => {
    expect(play(word)).toEqual(told);
  });

  it('begins when the fault began, not when it was told', () => {
    const life = startLife();
    expect(hear(life, present(0), 20 * MINUTE_MS, DELAYS)).toMatchObject({ type: 'raised', onsetMs: 0 });
  });

  it('waits anew when the detector knows that the fault had gone in between', () => {
    const life = startLife();
    hear(life, present(0), 0, DELAYS);
    expect(hear(life, present(15 * MINUTE_MS), 15 * MINUTE_MS, DELAYS)).toBeUndefined();
  });

  it('is raised without delay when it is dangerous', () => {
    expect(hear(startLife(), present(0, { atOnce: true }), 0, DELAYS)?.type).toBe('raised');
  });

  it('is brought up to date when it becomes worse, and ever more seldom otherwise', () => {
    const life = startLife();
    const updates: number[] = [];
    for (let minute = 0; minute <= 600; minute += 1) {
      const step = hear(life, present(0), minute * MINUTE_MS, { onDelayMs: 0, offDelayMs: 0 });
      if (step?.type === 'updated') updates.push(minute);
    }
    expect(updates).toEqual([15, 60, 240]);
    expect(hear(life, present(0, { priority: 'critical' }), 601 * MINUTE_MS, DELAYS)?.type).toBe('updated');
  });

  it('starts afresh when it is marked mended', () => {
    const life = startLife();
    for (const minute of [0, 1, 2]) {
      hear(life, present(minute * MINUTE_MS, { atOnce: true }), minute * MINUTE_MS, DELAYS);
      expect(close(life, 'mended')?.type).toBe('cleared');
    }
    expect(hear(life, present(4 * MINUTE_MS, { atOnce: true }), 4 * MINUTE_MS, DELAYS)).toMatchObject({
      type: 'raised',
      chattering: false,
    });
  });
});

describe('whatever is heard', () => {
  const word = fc.record({
    is: fc.constantFrom('present', 'absent', 'unknown', 'nothing', 'explained'),
    atOnce: fc.boolean(),
    afterMs: fc.integer({ min: 0, max: 20 * MINUTE_MS }),
  });
  const words = fc.array(word, { maxLength: 200 });
  const delays = fc.record({
    onDelayMs: fc.integer({ min: 0, max: 15 * MINUTE_MS }),
    offDelayMs: fc.integer({ min: 0, max: 15 * MINUTE_MS }),
  });

  it('is raised and cleared by turns, at most three times in any hour, and never named twice', () => {
    fc.assert(
      fc.property(words, delays, (heard, ofKind) => {
        const life = startLife();
        const raisedMs: number[] = [];
        let nowMs = 0;
        let stands = false;
        for (const { is, atOnce, afterMs } of heard) {
          nowMs += afterMs;
          for (const step of [passTime(life, nowMs, ofKind), say(life, is, atOnce, nowMs, ofKind)]) {
            if (step === undefined) continue;
            expect(step.type === 'raised').toBe(!stands);
            if (step.type === 'raised') {
              expect(is).toBe('present');
              expect(life.detectedMs).toBeGreaterThan(raisedMs.at(-1) ?? -1);
              raisedMs.push(nowMs);
            }
            if (step.type !== 'updated') stands = !stands;
          }
          expect(isStanding(life)).toBe(stands);
        }
        for (const [i, atMs] of raisedMs.entries()) {
          const fourth = raisedMs[i + 3];
          if (fourth !== undefined) expect(fourth - atMs).toBeGreaterThanOrEqual(HOUR_MS);
        }
      }),
    );
  });

  it('is neither raised nor cleared while the last word was unknown', () => {
    fc.assert(
      fc.property(words, delays, fc.integer({ min: 0, max: 100 * HOUR_MS }), (heard, ofKind, laterMs) => {
        const life = startLife();
        let nowMs = 0;
        for (const { is, atOnce, afterMs } of heard) {
          nowMs += afterMs;
          say(life, is, atOnce, nowMs, ofKind);
        }
        hear(life, UNKNOWN, nowMs, ofKind);
        const stood = isStanding(life);
        expect(passTime(life, nowMs + laterMs, ofKind)).toBeUndefined();
        expect(isStanding(life)).toBe(stood);
      }),
    );
  });

  function say(life: Life, is: string, atOnce: boolean, nowMs: number, ofKind: Delays): Step | undefined {
    switch (is) {
      case 'present':
        return hear(life, present(nowMs, { atOnce }), nowMs, ofKind);
      case 'absent':
        return hear(life, ABSENT, nowMs, ofKind);
      case 'unknown':
        return hear(life, UNKNOWN, nowMs, ofKind);
      case 'explained':
        return close(life, 'explained by another incident');
      default:
        return undefined;
    }
  }
});
