// What reaches the rules: everything once, soon, in small transactions, and time that goes on.

import { describe, expect, it } from 'vitest';
import { aSite } from '../a-site.fixture.ts';
import { simulateHome } from '../home.ts';
import { randomStream } from '../random.ts';
import { type Commit, type Delivery, startDelivery, stormMessages } from './deliver.ts';

const FROM_MS = Date.parse('2026-03-02T19:00:00Z');
const TO_MS = FROM_MS + 30 * 60_000;
const home = () => simulateHome({ site: aSite(), seed: 'test', fromMs: FROM_MS, toMs: TO_MS });

function deliver({ toMs = TO_MS, storms = [] }: Partial<Pick<Delivery, 'toMs' | 'storms'>> = {}): Commit[] {
  const random = randomStream('test');
  const nextCommit = startDelivery({ home: home(), storms, random, fromMs: FROM_MS, toMs });
  const all: Commit[] = [];
  for (let commit = nextCommit(); commit !== undefined; commit = nextCommit()) all.push(commit);
  return all;
}

describe('delivery', () => {
  it('brings every reading once, within seconds, not always in order', () => {
    const sent = [...home()].flatMap((packet) => (packet.kind === 'reading' ? [packet.reading] : []));
    const came = deliver({ toMs: TO_MS + 60_000 }).flatMap(({ readings }) => readings);
    expect(came).toHaveLength(sent.length);
    const byTime = (list: typeof came) => list.map(({ device, at }) => `${at} ${device}`).sort();
    expect(byTime(came)).toEqual(byTime(sent));
    expect(came.some(({ at }, i) => at < (came[i - 1]?.at ?? 0))).toBe(true);
  });

  it('tells the time every 5 s, also after the last reading', () => {
    const pulses = deliver({ toMs: TO_MS + 600_000 }).filter(({ isPulse }) => isPulse);
    expect(pulses.map(({ atMs }, i) => atMs - (pulses[i - 1]?.atMs ?? atMs - 5000))).toEqual(
      pulses.map(() => 5000),
    );
    expect(pulses.at(-1)?.atMs).toBe(TO_MS + 600_000);
  });

  it('tells a storm when it is sent', () => {
    const alert = {
      sentMs: FROM_MS + 600_000,
      onsetMs: FROM_MS + 40_000_000,
      expiresMs: FROM_MS + 50_000_000,
    };
    const storms = stormMessages([alert], aSite());
    const told = deliver({ storms }).filter(({ others }) => others.some(({ kind }) => kind === 'storm'));
    expect(told.map(({ atMs }) => atMs)).toEqual([alert.sentMs]);
  });
});
