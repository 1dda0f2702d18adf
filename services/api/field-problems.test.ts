// Each bad field is named once, with its value and what is expected.

import { describe, expect, it } from 'vitest';
import { z } from 'zod';
import { fieldProblems, pointerTo } from './field-problems.ts';
import { checkedSiteSchema } from './site-thresholds.ts';

function problemsOf(given: unknown) {
  const parsed = checkedSiteSchema.safeParse(given);
  return parsed.success ? [] : fieldProblems(parsed.error, given, 'body');
}

describe('pointers to fields', () => {
  // RFC 6901 section 6, the examples of the URI fragment representation.
  it.each([
    [[], '#'],
    [['foo'], '#/foo'],
    [['foo', 0], '#/foo/0'],
    [[''], '#/'],
    [['a/b'], '#/a~1b'],
    [['c%d'], '#/c%25d'],
    [['e^f'], '#/e%5Ef'],
    [['g|h'], '#/g%7Ch'],
    [['i\\j'], '#/i%5Cj'],
    [['k"l'], '#/k%22l'],
    [[' '], '#/%20'],
    [['m~n'], '#/m~0n'],
  ])('%j is %s', (path, pointer) => {
    expect(pointerTo(path)).toBe(pointer);
  });
});

describe('bad fields of a site', () => {
  const site = { id: 'elm-1', name: 'Elm 1', timeZone: 'America/Denver' };

  it.each([
    {
      why: 'a value out of its range',
      given: { ...site, inlets: [{ capAmps: 500 }] },
      problem: {
        pointer: '#/inlets/0/capAmps',
        detail: 'inlets[0].capAmps is 500: must be at most 100 amperes',
      },
    },
    {
      why: 'a field that is missing',
      given: { id: 'elm-1', timeZone: 'America/Denver' },
      problem: { pointer: '#/name', detail: 'name is missing: must be a string' },
    },
    {
      why: 'a value of another type',
      given: { ...site, service: { mainAmps: '200 A' } },
      problem: {
        pointer: '#/service/mainAmps',
        detail: 'service.mainAmps is "200 A": must be a number of amperes',
      },
    },
    {
      why: 'a threshold out of the range its detector gives it',
      given: { ...site, thresholds: { 'reserve-low': { belowPct: 80 } } },
      problem: {
        pointer: '#/thresholds/reserve-low/belowPct',
        detail: 'thresholds.reserve-low.belowPct is 80: must be from 0 to 50 %EL',
      },
    },
    {
      why: 'a body that is no object',
      given: [1, 2],
      problem: { pointer: '#', detail: 'the body is a list: must be an object' },
    },
  ])('tell of $why', ({ given, problem }) => {
    expect(problemsOf(given)).toEqual([{ in: 'body', ...problem }]);
  });

  it('tell of a misspelt field and what fields there are, one entry a field', () => {
    const problems = problemsOf({ ...site, timezone: 'x', service: { mainAmp: 200 } });
    expect(problems.map(({ pointer }) => pointer).sort()).toEqual(['#/service/mainAmp', '#/timezone']);
    for (const { detail } of problems)
      expect(detail).toMatch(/ is not known here: its fields are .*Amps|timeZone/);
  });

  it('tell of kinds and parameters that no detector has', () => {
    const thresholds = { 'reserve-lwo': { belowPct: 1 }, 'reserve-low': { bellowPct: 1 } };
    const problems = problemsOf({ ...site, thresholds });
    expect(problems.map(({ pointer }) => pointer)).toEqual([
      '#/thresholds/reserve-lwo',
      '#/thresholds/reserve-low/bellowPct',
    ]);
    expect(problems[1]?.detail).toContain('reserve-low has belowPct, deadbandPct');
  });

  it('show no more of a long value than a line has room for', () => {
    const [problem] = problemsOf({ ...site, id: 'x'.repeat(5000) });
    expect(problem?.detail.length).toBeLessThan(250);
  });
});

// RFC 9457 section 3, the example with two bad fields.
it("has the shape of the standard's own example", () => {
  const schema = z.object({
    age: z.number().positive({ error: 'must be a positive integer' }),
    profile: z.object({
      color: z.enum(['green', 'red', 'blue'], { error: "must be 'green', 'red' or 'blue'" }),
    }),
  });
  const given = { age: -1, profile: { color: 'mauve' } };
  const parsed = schema.safeParse(given);
  expect(parsed.success ? [] : fieldProblems(parsed.error, given, 'body')).toEqual([
    { in: 'body', pointer: '#/age', detail: 'age is -1: must be a positive integer' },
    {
      in: 'body',
      pointer: '#/profile/color',
      detail: `profile.color is "mauve": must be 'green', 'red' or 'blue'`,
    },
  ]);
});
