// What counts as cleared once a fault is mended.

import { describe, expect, it } from 'vitest';
import type { Truth } from '../scenario.ts';
import { followMend } from './mended.ts';

const END_MS = Date.parse('2026-03-02T19:00:00Z');
const at = (minutes: number): number => END_MS + minutes * 60_000;
const what = { kind: 'battery-hot', subject: 'battery-1' } as const;
const truth: Truth = {
  ...what,
  fault: 'battery-hot',
  onsetMs: at(-100),
  endMs: END_MS,
  shownMs: at(-90),
  fair: [],
};
const raised = (minutes: number) => ({ ...what, heardMs: at(minutes) });
const cleared = (minutes: number) => ({ ...what, heardMs: at(minutes), why: 'returned to normal' });

describe('after the mend', () => {
  it.each([
    {
      why: 'clears half an hour later',
      raises: [-80],
      clears: [30],
      expected: { is: 'cleared', afterMs: 1_800_000 },
    },
    {
      why: 'had cleared by itself already',
      raises: [-80],
      clears: [-5],
      expected: { is: 'cleared', afterMs: 0 },
    },
    { why: 'never clears', raises: [-80], clears: [], expected: { is: 'stands' } },
    { why: 'cleared and came again before', raises: [-80, -10], clears: [-40], expected: { is: 'stands' } },
    { why: 'clears, and is raised anew', raises: [-80, 90], clears: [30], expected: { is: 'came back' } },
  ])('an incident that $why is $expected.is', ({ raises, clears, expected }) => {
    const run = { truths: [truth], raised: raises.map(raised), cleared: clears.map(cleared) };
    expect(followMend(run, END_MS)).toMatchObject([expected]);
  });

  it('one that was not told before is not counted', () => {
    expect(followMend({ truths: [truth], raised: [raised(10)], cleared: [] }, END_MS)).toEqual([]);
  });
});
