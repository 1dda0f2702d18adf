// One cause is told once: more than 5 sites and over 30 % of a region or a broker within 10 min.

import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { type FleetSilence, type FleetTransition, startFleetSilence } from './fleet-silence.ts';

const MINUTE_MS = 60_000;
const START_MS = Date.parse('2026-03-02T19:00:00Z');

/** A fleet of 40 sites in two regions of 20, all at one broker. */
function fleet(saved?: unknown): FleetSilence {
  const watch = startFleetSilence(saved);
  for (let i = 0; i < 40; i += 1) {
    watch.place({ site: site(i), region: i < 20 ? 'north' : 'south', broker: 'mqtt-1' });
  }
  return watch;
}
const site = (i: number) => `site-${String(i).padStart(2, '0')}`;

/** Site i was last heard at `minute`, which is known 6 min later. */
const falls = (watch: FleetSilence, i: number, minute: number, device = 'meter-1') =>
  watch.hear({
    site: site(i),
    device,
    silent: true,
    sinceMs: START_MS + minute * MINUTE_MS,
    atMs: START_MS + (minute + 6) * MINUTE_MS,
  });
const returns = (watch: FleetSilence, i: number, minute: number, device = 'meter-1') =>
  watch.hear({
    site: site(i),
    device,
    silent: false,
    sinceMs: START_MS + minute * MINUTE_MS,
    atMs: START_MS + minute * MINUTE_MS,
  });
const settle = (watch: FleetSilence, minute = 60) => watch.passTime(START_MS + minute * MINUTE_MS);
const told = (transitions: readonly FleetTransition[]) =>
  transitions.map(({ type, subject, sites }) => `${type} ${subject} ${sites.length}`);

describe('sites that fall silent together', () => {
  it.each([
    { count: 7, size: 20, raised: ['raised region north 7'], why: 'more than 30 % of the region' },
    { count: 6, size: 20, raised: [], why: 'exactly 30 %' },
    { count: 6, size: 10, raised: ['raised region north 6'], why: 'more than five of a small region' },
    { count: 5, size: 6, raised: [], why: 'no more than five, though nearly all' },
  ])('$count of $size: $why', ({ count, size, raised }) => {
    const watch = startFleetSilence();
    for (let i = 0; i < size; i += 1) watch.place({ site: site(i), region: 'north', broker: null });
    for (let i = 0; i < count; i += 1) falls(watch, i, i / 10);
    expect(told(settle(watch))).toEqual(raised);
  });

  it('count only within 10 min', () => {
    const watch = fleet();
    for (let i = 0; i < 12; i += 1) falls(watch, i, 3 * i);
    expect(settle(watch)).toEqual([]);
  });

  it('are told once, at the broker when all of it is silent', () => {
    const watch = fleet();
    for (let i = 0; i < 40; i += 1) expect(falls(watch, i, i / 40)).toEqual([]);
    expect(told(settle(watch))).toEqual(['raised broker mqtt-1 40']);
    expect(watch.explains(site(3))).toBe('broker mqtt-1');
  });

  it('are told once, at the region when only that is silent', () => {
    const watch = fleet();
    for (let i = 0; i < 20; i += 1) falls(watch, i, i / 40);
    expect(told(settle(watch))).toEqual(['raised region north 20']);
    expect(watch.explains(site(25))).toBeUndefined();
  });

  it('count by site, however many of its devices are silent', () => {
    const watch = fleet();
    for (let i = 0; i < 5; i += 1) for (const device of ['meter-1', 'battery-1']) falls(watch, i, 0, device);
    expect(settle(watch)).toEqual([]);
  });

  it('take in who follows, and let go who falls silent later', () => {
    const watch = fleet();
    for (let i = 0; i < 15; i += 1) falls(watch, i, 0);
    settle(watch, 20);
    expect(told(falls(watch, 15, 9))).toEqual(['updated region north 16']);
    expect(falls(watch, 16, 60)).toEqual([]);
    expect(watch.explains(site(16))).toBeUndefined();
  });
});

describe('sites that return', () => {
  it('clear it once few are left, which then stand for themselves', () => {
    const watch = fleet();
    for (let i = 0; i < 20; i += 1) falls(watch, i, 0);
    settle(watch, 20);
    const transitions = Array.from({ length: 20 }, (_, i) => returns(watch, i, 30 + i)).flat();
    expect(told(transitions)).toEqual(['cleared region north 3']);
    expect(transitions[0]?.sites).toEqual([site(17), site(18), site(19)]);
  });

  it('count as returned when all of their devices are back', () => {
    const watch = fleet();
    for (let i = 0; i < 20; i += 1) for (const device of ['meter-1', 'battery-1']) falls(watch, i, 0, device);
    settle(watch, 20);
    expect(Array.from({ length: 20 }, (_, i) => returns(watch, i, 30 + i)).flat()).toEqual([]);
  });
});

it('tells the same when it is stopped and started again', () => {
  const change = fc.record({
    i: fc.nat(39),
    silent: fc.boolean(),
    afterMs: fc.integer({ min: 0, max: 120_000 }),
  });
  fc.assert(
    fc.property(fc.array(change, { maxLength: 120 }), fc.array(fc.nat(119)), (changes, cuts) => {
      const play = (stops: ReadonlySet<number>) => {
        let watch = fleet();
        let atMs = START_MS;
        return changes.flatMap(({ i, silent, afterMs }, index) => {
          if (stops.has(index)) watch = startFleetSilence(JSON.parse(JSON.stringify(watch.save())));
          atMs += afterMs;
          return [...watch.hear({ site: site(i), device: 'meter-1', silent, sinceMs: atMs, atMs })];
        });
      };
      expect(play(new Set(cuts))).toEqual(play(new Set()));
    }),
  );
});

it('has at most one incident a subject, and explains a site by one only', () => {
  const change = fc.record({
    i: fc.nat(39),
    silent: fc.boolean(),
    afterMs: fc.integer({ min: 0, max: 60_000 }),
  });
  fc.assert(
    fc.property(fc.array(change, { maxLength: 200 }), (changes) => {
      const watch = fleet();
      const open = new Set<string>();
      let atMs = START_MS;
      for (const { i, silent, afterMs } of changes) {
        atMs += afterMs;
        for (const { type, subject } of watch.hear({
          site: site(i),
          device: 'm',
          silent,
          sinceMs: atMs,
          atMs,
        })) {
          expect(open.has(subject)).toBe(type !== 'raised');
          if (type === 'raised') open.add(subject);
          if (type === 'cleared') open.delete(subject);
        }
        const standing = Object.values(watch.save().standing).flatMap(({ sites }) => sites);
        expect(new Set(standing).size).toBe(standing.length);
      }
    }),
  );
});
