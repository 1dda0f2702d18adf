// Figures from counts, and the table they are printed in.

import { describe, expect, it } from 'vitest';
import { type Cost, type PairTally, printTable, summarize, type Tally } from './table.ts';

const YEAR_MS = 365 * 86_400_000;

function aTally(more: Partial<Tally> = {}): Tally {
  return {
    kind: 'backfeed-in-outage',
    runs: 100,
    told: 99,
    notShown: 0,
    wrong: 1,
    falseInFaultless: 1,
    delaysMs: Array.from({ length: 20 }, (_, i) => 1000 * (i + 1)),
    mended: 4,
    cleared: 3,
    cameBack: 1,
    clearsMs: [60_000, 120_000, 180_000],
    ...more,
  };
}

const COST: Cost = {
  readings: 1e6,
  detectUs: 4e6,
  parseUs: 2e6,
  totalUs: 9e6,
  stateBytes: 7000,
  faultlessMs: 20 * YEAR_MS,
};

const PAIRS: PairTally = { homes: 10, allTold: 8, truths: 20, told: 19, wrong: 1 };

describe('the figures of a kind', () => {
  it('are shares of what was there and of what was raised', () => {
    const [row] = summarize([aTally({ told: 90, wrong: 10 })], PAIRS, COST).rows;
    expect(row).toMatchObject({ recall: 0.9, precision: 0.9, falseASiteYear: 0.05 });
    expect(row?.short).toEqual(['recall', 'precision', 'delay']);
  });

  it('take delays by the nearest rank (NIST/SEMATECH e-Handbook 7.2.6.2 lists it as the simplest of percentiles)', () => {
    const [row] = summarize([aTally()], PAIRS, COST).rows;
    expect(row).toMatchObject({ medianS: 10, p95S: 19 });
  });

  it.each([
    { more: { told: 98 }, short: ['delay'], why: 'a recall of 0.98 is enough' },
    { more: { told: 97 }, short: ['recall', 'precision', 'delay'], why: '0.97 is not' },
    { more: { falseInFaultless: 2 }, short: ['false', 'delay'], why: 'a tenth a site-year is too much' },
    { more: { delaysMs: [15_000] }, short: [], why: 'backfeed in 15 s is in time' },
  ])('$why', ({ more, short }) => {
    const wrong = more.told === 97 ? 1 : 0;
    expect(summarize([aTally({ wrong, ...more })], PAIRS, COST).rows[0]?.short).toEqual(short);
  });

  it('say nothing of what was not run', () => {
    const none = { runs: 0, told: 0, wrong: 0, falseInFaultless: 0, delaysMs: [] };
    const summary = summarize([aTally(none)], PAIRS, { ...COST, readings: 0, faultlessMs: 0 });
    expect(summary.rows[0]).toMatchObject({
      recall: null,
      precision: null,
      falseASiteYear: null,
      p95S: null,
    });
    expect(printTable(summary)).toContain('not run');
  });
});

describe('the table', () => {
  it('has the same columns whatever is in it, and the cost below', () => {
    const text = printTable(summarize([aTally()], PAIRS, COST));
    expect(text.split('\n')[0]?.split(/\s{2,}/)).toEqual([
      'kind',
      'runs',
      'recall',
      'precision',
      'wrong',
      'false/site-year',
      'median',
      '95 %',
      'target',
      'mended',
      'cleared',
      'after',
      'met',
    ]);
    expect(text).toMatch(
      /^backfeed-in-outage +100 +0\.990 +0\.990 +1 +0\.05 +10 s +19 s +15 s +4 +0\.75 +2 min +no: delay$/m,
    );
    expect(text).toContain('4.00 us a reading');
    expect(text).toContain('2.00 times parsing a meter pack');
    expect(text).toContain('10 homes, in 8 all told and nothing else; recall 0.950 of 20, 1 wrong');
    expect(text).toContain('7000 bytes');
  });
});
