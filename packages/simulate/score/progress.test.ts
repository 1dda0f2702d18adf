// What is told while a score runs.

import { expect, it } from 'vitest';
import { startProgress } from './progress.ts';

it('progress is told every 5 per cent, with the time gone and an estimate of the rest', () => {
  const lines: string[] = [];
  let nowMs = 0;
  const done = startProgress(
    { homes: 40, work: 40 },
    () => nowMs,
    (line) => lines.push(line),
  );
  for (let home = 0; home < 40; home += 1) {
    nowMs += 3000;
    done(1);
  }
  expect(lines).toHaveLength(20);
  expect(lines[0]).toBe('5 % (2 of 40 homes), 0:06 gone, about 1:54 left');
  expect(lines.at(-1)).toBe('100 % (40 of 40 homes), 2:00 gone, about 0:00 left');
});

it('a home of a quarter counts for more than a home of a day', () => {
  const lines: string[] = [];
  let nowMs = 0;
  const done = startProgress(
    { homes: 11, work: 100 },
    () => nowMs,
    (line) => lines.push(line),
  );
  nowMs = 90_000;
  done(90);
  expect(lines).toEqual(['90 % (1 of 11 homes), 1:30 gone, about 0:10 left']);
});
