// A state comes back from its checkpoint as it was, and one of another shape does not come back at all.

import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { z } from 'zod';
import { CATALOG } from './catalog.ts';
import { changesSince, checkpointOf, withChanges } from './checkpoint.ts';
import { startView } from './site-view.ts';
import { aSite } from './test-support.ts';

const NOON_MS = Date.UTC(2026, 5, 1, 12);

const schema = z.object({
  sinceMs: z.number().nullable(),
  phase: z.enum(['quiet', 'active']),
  told: z.boolean(),
  name: z.string(),
  levels: z.array(z.object({ amps: z.number(), isLast: z.boolean() })),
  units: z.array(z.string()),
  pair: z.tuple([z.number(), z.number().nullable()]),
  devices: z.record(z.string(), z.number()),
  counts: z.array(z.number()),
  window: z.object({ arrived: z.array(z.number()) }).transform(withSorted),
});

function withSorted({ arrived }: { arrived: number[] }) {
  return { arrived, sorted: arrived.toSorted((a, b) => a - b) };
}

const anyNumber = fc.oneof(
  fc.integer(),
  fc.double({ noNaN: true, noDefaultInfinity: true }).map((x) => x + 0),
  fc.integer({ min: -100, max: 100 }).map((ms) => NOON_MS + ms),
  fc.integer({ min: 1e12, max: 4e12 }),
);
const anyTime = fc.integer({ min: 0, max: 4e12 });
const anyState = fc.record({
  sinceMs: fc.option(anyNumber),
  phase: fc.constantFrom('quiet', 'active'),
  told: fc.boolean(),
  name: fc.string(),
  levels: fc.array(fc.record({ amps: anyNumber, isLast: fc.boolean() })),
  units: fc.array(fc.string({ maxLength: 1 })),
  pair: fc.tuple(anyNumber, fc.option(anyNumber)),
  devices: fc.dictionary(fc.stringMatching(/^[a-z]{1,8}$/), anyNumber, { noNullPrototype: true }),
  counts: fc.array(fc.oneof(fc.integer({ min: 0, max: 1 }), anyNumber), { maxLength: 40 }),
  window: fc.array(anyNumber).map((arrived) => withSorted({ arrived })),
});

describe('a checkpoint', () => {
  const { write, read } = checkpointOf('a detector', schema);

  it('gives back every state as it was', () => {
    fc.assert(
      fc.property(anyState, anyTime, (state, atMs) => {
        const written = JSON.stringify(write(state, atMs));
        const restored = schema.parse(read(JSON.parse(written), atMs));
        expect(restored).toEqual(JSON.parse(JSON.stringify(state)));
      }),
    );
  });

  it('holds values without their names, and times as how long ago they were', () => {
    const state = {
      sinceMs: NOON_MS - 5000,
      phase: 'active',
      told: true,
      name: 'l1.p',
      levels: [{ amps: 1.5, isLast: false }],
      units: ['W', 'A', 'W', 'W'],
      pair: [0, null],
      devices: { 'meter-1': NOON_MS + 36 },
      counts: [7, 0, 0, 0, 2, 2],
      window: withSorted({ arrived: [3, 1] }),
    };
    const text =
      '["3uw",1,1,"l1.p",[[1.5,0]],["W","A",0,0],[0,null],{"meter-1":"-10"},[7,[0,3],2,2],[[3,1]]]';
    expect(JSON.stringify(write(state, NOON_MS))).toBe(text);
  });

  it('holds a list as how each number differs from the one before, and objects by their fields', () => {
    const list = checkpointOf('a detector', z.object({ volts: z.array(z.number()) }));
    expect(list.write({ volts: [121.7, 121.5, 121.8, 122] }, NOON_MS)).toEqual(['1+xt-2+3+2']);
    expect(list.write({ volts: [0.036, -0.1, 4, 4] }, NOON_MS)).toEqual(['3+10-3s+35w+0']);
    expect(list.write({ volts: [1 / 3, 2, 3, 4] }, NOON_MS)).toEqual([[1 / 3, 2, 3, 4]]);
    const rows = checkpointOf('a detector', z.object({ levels: schema.shape.levels }));
    const levels = [1, 2, 3].map((amps) => ({ amps, isLast: amps === 3 }));
    expect(rows.write({ levels }, NOON_MS)).toEqual([
      {
        c: [
          [1, 2, 3],
          [0, 0, 1],
        ],
      },
    ]);
  });

  it.each([undefined, null, 7, 'text', [], {}, [[], [], [], [], [], [], [], [], [[0, -1]]]])(
    'makes no state of %j',
    (junk) => {
      expect(schema.safeParse(read(junk, NOON_MS)).success).toBe(false);
    },
  );
});

describe('what is not as at the start', () => {
  it('is all that is written', () => {
    expect(changesSince([0, null, [0, 0], 7], [5, null, [0, 1], 7])).toEqual([0b101, 5, [0, 1]]);
    expect(changesSince([0, null], [0, null])).toBeUndefined();
  });

  it('gives back the whole with what is', () => {
    const { write } = checkpointOf('a detector', schema);
    fc.assert(
      fc.property(anyState, anyState, anyTime, (before, after, atMs) => {
        const [started, written] = [write(before, atMs), write(after, atMs)];
        const changes = changesSince(started, written);
        expect(withChanges(started, changes ?? [0])).toEqual(written);
      }),
    );
  });
});

describe('the shape of a checkpoint', () => {
  const shapeOf = (fields: z.ZodRawShape) => checkpointOf('a detector', z.object(fields)).shape;
  const before = shapeOf({ fromMs: z.number(), toMs: z.number() });

  it.each([
    { fields: { toMs: z.number(), fromMs: z.number() }, why: 'another order' },
    { fields: { fromMs: z.number(), farMs: z.number() }, why: 'another name' },
    { fields: { fromMs: z.number(), toMs: z.number().nullable() }, why: 'null is allowed' },
    { fields: { fromMs: z.number(), toMs: z.array(z.number()) }, why: 'many for one' },
    { fields: { fromMs: z.number(), toMs: z.enum(['a']) }, why: 'another type' },
    { fields: { fromMs: z.number() }, why: 'one less' },
  ])('is another with $why', ({ fields }) => {
    expect(shapeOf(fields)).not.toBe(before);
  });

  it('is the same for the same fields', () => {
    expect(shapeOf({ fromMs: z.number(), toMs: z.number() })).toBe(before);
  });

  it('tells owners apart whose states look alike', () => {
    const shapes = CATALOG.map(({ checkpoint }) => checkpoint.shape);
    expect(new Set(shapes).size).toBe(CATALOG.length);
  });
});

it('writes the state that every detector starts with, and reads it again', () => {
  const view = startView(aSite(), undefined);
  for (const detector of CATALOG) {
    for (const subject of detector.subjects(view.site)) {
      const { state } = detector.watch(view, subject, undefined);
      const written = JSON.stringify(detector.checkpoint.write(state, NOON_MS));
      expect(detector.checkpoint.read(JSON.parse(written), NOON_MS), detector.kind).toEqual(state);
    }
  }
});
