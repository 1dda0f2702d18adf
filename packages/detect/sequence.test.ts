// Readings come to the engine in the order of their own time, each once, however they were packed; what comes
// after its time was judged goes apart; device time never passes the present.

import type { Reading } from '@afterwatt/wire';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { startEngine, type Transition } from './engine.ts';
import type { Lags } from './event.ts';
import { type Release, type Sequence, savedSequenceSchema, startSequence } from './sequence.ts';
import { aBatteryReading, aMeterReading, aSite, START_MS, seconds } from './test-support.ts';

const site = aSite();
const DAY_S = 86_400;

/** Sends and pulses in ingest's time, seconds after START_MS, and keeps what came out. */
function follow(sequence: Sequence = startSequence(site)) {
  const released: Reading[] = [];
  const late: Reading[] = [];
  const lags: Lags[] = [];
  let passedToMs = 0;
  const take = (release: Release) => {
    for (const event of release.events) {
      if (event.kind === 'meter' || event.kind === 'battery') released.push(event);
      if (event.kind === 'lags') lags.push(event);
    }
    late.push(...release.late);
    passedToMs = release.passTimeToMs ?? passedToMs;
  };
  return {
    released,
    late,
    lags,
    passedToS: () => (passedToMs - START_MS) / 1000,
    pulse: (atS: number) => take(sequence.pulse(START_MS + atS * 1000)),
    send: (...readings: readonly Reading[]) => take(sequence.accept(readings, [])),
  };
}

function isOrdered(readings: readonly Reading[]): boolean {
  return readings.every((reading, i) => reading.at >= (readings[i - 1]?.at ?? 0));
}

/** A meter and a battery, one hour, a day before they are sent. */
const meter = seconds(-DAY_S, -DAY_S + 3600, 15).map((s) => aMeterReading(s, { l1W: 400, l2W: 300 }));
const battery = seconds(-DAY_S, -DAY_S + 3600, 20).map((s) =>
  aBatteryReading(s, { socPct: s > -DAY_S + 600 ? 15 : 60, acW: 0 }),
);
const inOrder = [...meter, ...battery].sort((a, b) => a.at - b.at || (a.device < b.device ? -1 : 1));

/** Cuts two devices' readings into packs and shuffles the packs into each other. */
const interleaved = fc
  .array(fc.record({ fromMeter: fc.boolean(), size: fc.integer({ min: 1, max: 90 }) }), { maxLength: 60 })
  .map((cuts) => {
    const left = { meter: [...meter], battery: [...battery] };
    const packs: Reading[][] = [];
    for (const { fromMeter, size } of cuts)
      packs.push((fromMeter ? left.meter : left.battery).splice(0, size));
    packs.push(left.meter, left.battery);
    return packs.filter((pack) => pack.length > 0);
  });

describe('a backlog', () => {
  it('comes out in order, each reading once, however it was packed and interleaved', () => {
    fc.assert(
      fc.property(interleaved, (packs) => {
        const { released, late, send, pulse } = follow();
        pulse(0);
        for (const [i, pack] of packs.entries()) {
          send(...pack);
          pulse(i + 1);
        }
        pulse(packs.length + 30);
        expect(late).toEqual([]);
        expect(released).toEqual(inOrder);
      }),
    );
  });

  it('gives the same incidents, however it was packed and interleaved', () => {
    const judge = (packs: readonly (readonly Reading[])[]): Transition[] => {
      const engine = startEngine(site);
      const sequence = startSequence(site);
      const transitions: Transition[] = [];
      const take = ({ events, passTimeToMs }: Release) => {
        for (const event of events) transitions.push(...engine.step(event));
        if (passTimeToMs !== undefined) transitions.push(...engine.passTime(passTimeToMs));
      };
      take(sequence.pulse(START_MS));
      for (const [i, pack] of packs.entries()) {
        take(sequence.accept(pack, []));
        take(sequence.pulse(START_MS + i * 1000));
      }
      for (const s of seconds(packs.length, packs.length + 600, 5)) take(sequence.pulse(START_MS + s * 1000));
      // Where the present is found again differs with how long the packs took; the faults of the day do not.
      return transitions.filter(({ atMs }) => atMs < START_MS - (DAY_S - 3600) * 1000);
    };
    const whole = judge([inOrder]);
    expect(whole.map(({ type, kind }) => `${type} ${kind}`)).toContain('raised reserve-low');
    fc.assert(
      fc.property(interleaved, (packs) => {
        expect(judge(packs)).toEqual(whole);
      }),
      { numRuns: 50 },
    );
  }, 60_000);

  it('comes out in order when two batches of it are numbered in the other order than they came', () => {
    const { released, late, send, pulse } = follow();
    const third = Math.floor(inOrder.length / 3);
    const packs = [inOrder.slice(0, third), inOrder.slice(2 * third), inOrder.slice(third, 2 * third)];
    pulse(0);
    for (const [i, pack] of packs.entries()) {
      pulse(i + 1);
      send(...pack);
    }
    for (const s of seconds(4, 40, 1)) pulse(s);
    expect(late).toEqual([]);
    expect(released).toEqual(inOrder);
  });

  it('waits for a device that pauses for 20 s, and for one whose packs an ingest held up for a minute brings', () => {
    const { released, late, send, pulse } = follow();
    pulse(0);
    send(...meter);
    for (const s of seconds(1, 21, 1)) pulse(s);
    send(...battery.slice(0, 90));
    // Nothing was heard of the ingest for so long, and the transaction that ends it brings a pack.
    pulse(80);
    for (const s of seconds(81, 95, 1)) pulse(s);
    send(...battery.slice(90));
    for (const s of seconds(96, 130, 1)) pulse(s);
    expect(late).toEqual([]);
    expect(released).toEqual(inOrder);
  });

  it('waits for the first pulse, before which nothing is known to be old', () => {
    const { released, late, send, pulse } = follow();
    const third = Math.floor(inOrder.length / 3);
    send(...inOrder.slice(third));
    expect(released).toEqual([]);
    pulse(0);
    send(...inOrder.slice(0, third));
    for (const s of seconds(5, 40, 1)) pulse(s);
    expect(late).toEqual([]);
    expect(released).toEqual(inOrder);
  });

  it('does not move device time to the present until it has ended', () => {
    const { send, pulse, passedToS } = follow();
    pulse(0);
    send(...inOrder);
    for (const s of seconds(1, 250, 5)) pulse(s);
    expect(passedToS()).toBeLessThan(-DAY_S + 3601);
    for (const s of seconds(250, 400, 5)) pulse(s);
    expect(passedToS()).toBe(395);
  });
});

describe('a site that reports as it goes', () => {
  it('is judged at once', () => {
    const { released, send, pulse, passedToS } = follow();
    for (const s of seconds(0, 600, 5)) {
      pulse(s);
      send(aMeterReading(s - 1));
      if (s % 10 === 0) send(aBatteryReading(s - 3));
      expect(released.at(-1)?.at).toBeGreaterThanOrEqual(START_MS + (s - 3) * 1000);
      if (s > 0) expect(passedToS()).toBeGreaterThanOrEqual(s - 5);
    }
  });

  it('has what comes an hour late judged apart, once no more of it comes', () => {
    const { released, late, send, pulse } = follow();
    for (const s of seconds(0, 7200, 5)) {
      pulse(s);
      send(aMeterReading(s - 1), aBatteryReading(s - 2));
    }
    const before = released.length;
    const old = seconds(100, 400, 7).map((s) => aBatteryReading(s));
    send(...old);
    pulse(7204);
    expect(late).toEqual([]);
    for (const s of seconds(7206, 7240, 1)) pulse(s);
    expect(late).toEqual(old);
    expect(released).toHaveLength(before);
  });

  it('is not slowed down by one lost connection', () => {
    const { released, send, pulse, passedToS } = follow();
    const live = (fromS: number, toS: number) => {
      for (const s of seconds(fromS, toS, 5)) {
        pulse(s);
        send(aMeterReading(s), aBatteryReading(s));
      }
    };
    live(0, 600);
    for (const s of seconds(600, 1200, 5)) pulse(s);
    pulse(1200);
    send(...seconds(600, 1200, 5).map((s) => aMeterReading(s)));
    live(1200, 1260);
    expect(released.at(-1)?.at).toBe(START_MS + 1_255_000);
    expect(passedToS()).toBe(1255);
  });
});

it('holds a prompt meter back for a battery that packs ten minutes', () => {
  const { released, late, send, pulse } = follow();
  for (const s of seconds(0, 7200, 5)) {
    pulse(s);
    send(aMeterReading(s));
    if (s > 0 && s % 600 === 0) send(...seconds(s - 600, s, 10).map((t) => aBatteryReading(t)));
  }
  // The first pack comes before anything is known of its habit.
  expect(late.every(({ at }) => at < START_MS + 600_000)).toBe(true);
  const settled = released.filter(({ at }) => at >= START_MS + 1_200_000);
  expect(isOrdered(settled)).toBe(true);
  expect(settled.filter(({ kind }) => kind === 'battery')).toHaveLength(540);
});

it('keeps what a meter packs in five minutes until a battery’s ten are there, though nothing comes in between', () => {
  const { released, late, send, pulse } = follow();
  for (const s of seconds(0, 7200, 5)) {
    pulse(s);
    if (s > 0 && s % 300 === 0) send(...seconds(s - 300, s, 5).map((t) => aMeterReading(t)));
    if (s > 0 && s % 600 === 0) send(...seconds(s - 600, s, 10).map((t) => aBatteryReading(t)));
  }
  expect(late.every(({ at }) => at < START_MS + 600_000)).toBe(true);
  expect(isOrdered(released.filter(({ at }) => at >= START_MS + 1_200_000))).toBe(true);
});

describe('a clock that runs ahead', () => {
  const ahead = () => {
    const followed = follow();
    for (const s of seconds(0, 3600, 5)) {
      followed.pulse(s);
      followed.send(aMeterReading(s), aBatteryReading(s + 1800));
    }
    return followed;
  };

  it('waits until its time has come, and makes no latecomers of the others', () => {
    const { released, late } = ahead();
    expect(late).toEqual([]);
    expect(isOrdered(released.filter(({ kind }) => kind === 'battery'))).toBe(true);
    expect(Math.max(...released.map(({ at }) => at))).toBeLessThanOrEqual(START_MS + 3_620_000);
    expect(released.filter(({ kind }) => kind === 'meter')).toHaveLength(720);
  });

  it('is told as a lag below nothing, every 5 min', () => {
    const { lags } = ahead();
    expect(lags.at(-1)?.leastMs).toEqual({ 'meter-1': 0, 'battery-1': -1_800_000 });
    expect(lags).toHaveLength(11);
  });
});

it('judges a clock that is far behind at least every hour', () => {
  const { late, send, pulse, lags } = follow();
  for (const s of seconds(0, 4000, 5)) {
    pulse(s);
    send(aMeterReading(s), aBatteryReading(s - 7200));
  }
  expect(late.length).toBeGreaterThan(700);
  expect(lags.at(-1)?.leastMs['battery-1']).toBe(7_200_000);
});

describe('whatever comes', () => {
  const happening = fc.oneof(
    fc.record({ pulseAfterS: fc.integer({ min: 0, max: 400 }) }),
    fc.record({
      ages: fc.array(fc.oneof(fc.integer({ min: -60, max: 60 }), fc.integer({ min: -5000, max: 200_000 })), {
        minLength: 1,
        maxLength: 20,
      }),
      ofMeter: fc.boolean(),
    }),
  );

  type Happening = typeof happening extends fc.Arbitrary<infer T> ? T : never;

  /** Plays happenings; is stopped and started again through JSON before each whose index is in `cuts`. */
  function play(happenings: readonly Happening[], cuts: ReadonlySet<number>) {
    let sequence = startSequence(site);
    let nowS = 0;
    const sent: Reading[] = [];
    const out: Release[] = [sequence.pulse(START_MS)];
    for (const [i, what] of happenings.entries()) {
      const saved = cuts.has(i) ? sequence.save() : undefined;
      if (saved !== undefined) {
        sequence = startSequence(site, savedSequenceSchema.parse(JSON.parse(JSON.stringify(saved))));
      }
      if ('pulseAfterS' in what) {
        nowS += what.pulseAfterS;
        out.push(sequence.pulse(START_MS + nowS * 1000));
        continue;
      }
      const pack = what.ages.map((age) =>
        what.ofMeter ? aMeterReading(nowS - age) : aBatteryReading(nowS - age),
      );
      sent.push(...pack);
      out.push(sequence.accept(pack, []));
    }
    for (const afterS of [15, 5000, 6000, 7000, 9000])
      out.push(sequence.pulse(START_MS + (nowS + afterS) * 1000));
    return { sent, out };
  }

  it('comes out exactly once, in its place or apart', () => {
    fc.assert(
      fc.property(fc.array(happening, { maxLength: 40 }), (happenings) => {
        const { sent, out } = play(happenings, new Set());
        const came = out.flatMap(({ events, late }) => [
          ...events.filter(({ kind }) => kind !== 'lags'),
          ...late,
        ]);
        expect(new Set(came)).toEqual(new Set(sent));
        expect(came).toHaveLength(sent.length);
      }),
    );
  });

  it('comes out the same when it is stopped and started again', () => {
    fc.assert(
      fc.property(fc.array(happening, { maxLength: 40 }), fc.array(fc.nat(40)), (happenings, points) => {
        expect(play(happenings, new Set(points)).out).toEqual(play(happenings, new Set()).out);
      }),
    );
  });
});
