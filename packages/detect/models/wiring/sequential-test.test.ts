// The sequential test keeps Wald's error bounds (A. Wald, Annals of Mathematical Statistics 16, 1945: with
// thresholds (1 - beta) / alpha and beta / (1 - alpha) the true rates a, b obey a <= alpha / (1 - beta),
// b <= beta / (1 - alpha)), and forgets by Page's barrier (Biometrika 41, 1954).

import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { noise } from '../../test-support.ts';
import { arrangementsOf, logPriorsOf } from './arrangement.ts';
import {
  ACCEPT_LOG_ODDS,
  CHANGE_LOG_SHARE,
  logOdds,
  MOST_NATS,
  REJECT_LOG_ODDS,
  withEvidence,
} from './sequential-test.ts';

const floors = (priors: readonly number[]) => priors.map((prior) => prior + CHANGE_LOG_SHARE);
const EVEN = floors([Math.log(0.5), Math.log(0.5)]);
const isSecond = (h: number) => h === 1;

/** Unit normal readings of mean 0 (first hypothesis) or `shift` (second), until one of them is accepted. */
function decide(
  trueMean: number,
  shift: number,
  normal: () => number,
): { second: boolean; readings: number } {
  let logs = [0, 0];
  for (let readings = 1; ; readings++) {
    const x = trueMean + normal();
    logs = withEvidence(logs, EVEN, [-(x ** 2) / 2, -((x - shift) ** 2) / 2]);
    const odds = logOdds(logs, isSecond);
    if (odds >= ACCEPT_LOG_ODDS) return { second: true, readings };
    if (odds <= REJECT_LOG_ODDS) return { second: false, readings };
  }
}

describe('the sequential test', () => {
  it('has the bounds ln(0.99 / 0.003) and ln(0.01 / 0.997)', () => {
    expect(ACCEPT_LOG_ODDS).toBeCloseTo(5.799, 3);
    expect(REJECT_LOG_ODDS).toBeCloseTo(-4.602, 3);
  });

  it("keeps both error rates within Wald's inequalities", () => {
    const normal = noise(11);
    const runs = 20_000;
    let falseAccepts = 0;
    let falseRejects = 0;
    for (let run = 0; run < runs; run++) {
      if (decide(0, 0.8, normal).second) falseAccepts += 1;
      if (!decide(0.8, 0.8, normal).second) falseRejects += 1;
    }
    // Three standard errors of the simulation on top of alpha / (1 - beta) and beta / (1 - alpha).
    const [a, b] = [0.003 / 0.99, 0.01 / 0.997];
    expect(falseAccepts / runs).toBeLessThanOrEqual(a + 3 * Math.sqrt(a / runs));
    expect(falseRejects / runs).toBeLessThanOrEqual(b + 3 * Math.sqrt(b / runs));
    // And not because it never decides wrongly: overshoot leaves a good part of them.
    expect(falseAccepts / runs).toBeGreaterThan(a / 4);
    expect(falseRejects / runs).toBeGreaterThan(b / 4);
  });

  it('needs about the readings that Wald computes', () => {
    const normal = noise(5);
    let sum = 0;
    for (let run = 0; run < 4000; run++) sum += decide(0.8, 0.8, normal).readings;
    // Mean log ratio a reading 0.8^2 / 2 = 0.32: (0.99 * 5.799 - 0.01 * 4.602) / 0.32 = 17.8, plus overshoot.
    expect(sum / 4000).toBeGreaterThan(17);
    expect(sum / 4000).toBeLessThan(20.5);
  });

  it('lets no single piece of evidence decide, from whatever state', () => {
    expect(MOST_NATS - Math.log(0.96 / 0.01)).toBeLessThan(ACCEPT_LOG_ODDS);
    const priors = [Math.log(0.99), Math.log(0.01)];
    const logs = withEvidence(priors, floors(priors), [-1000, 0]);
    expect(logOdds(logs, isSecond)).toBeLessThan(ACCEPT_LOG_ODDS);
  });

  it('finds a change after years of proof as fast as after a week (Page)', () => {
    const priors = [Math.log(0.99), Math.log(0.01)];
    const readingsToTurn = (proof: number) => {
      let logs = priors;
      for (let i = 0; i < proof; i++) logs = withEvidence(logs, floors(priors), [0, -3]);
      for (let i = 1; ; i++) {
        logs = withEvidence(logs, floors(priors), [-3, 0]);
        if (logOdds(logs, isSecond) >= ACCEPT_LOG_ODDS) return i;
      }
    };
    expect(readingsToTurn(10_000)).toBe(readingsToTurn(10));
    expect(readingsToTurn(10)).toBeLessThanOrEqual(7);
  });

  it('does not care for the order of evidence until the barrier is reached', () => {
    const pieces = fc.array(fc.tuple(fc.double({ min: -1, max: 1, noNaN: true }), fc.constant(0)), {
      maxLength: 5,
    });
    fc.assert(
      fc.property(pieces, (evidence) => {
        let [there, back] = [
          [0, 0],
          [0, 0],
        ];
        for (const piece of evidence) there = withEvidence(there, EVEN, piece);
        for (const piece of evidence.toReversed()) back = withEvidence(back, EVEN, piece);
        expect(logOdds(there, isSecond)).toBeCloseTo(logOdds(back, isSecond), 1);
      }),
    );
  });
});

describe('the arrangements', () => {
  it.each([
    { pair: 'service', channels: 2 },
    { pair: 'inlets', channels: 2 },
    { pair: 'inlets', channels: 1 },
  ] as const)(
    'of $channels channels ($pair) have priors that sum to 1, right above all',
    ({ pair, channels }) => {
      const priors = logPriorsOf(pair, channels).map(Math.exp);
      expect(priors.reduce((sum, p) => sum + p, 0)).toBeCloseTo(1, 9);
      expect(Math.max(...priors)).toBe(priors[0]);
      expect(priors[0]).toBeGreaterThan(0.9);
      expect(arrangementsOf(channels)).toHaveLength(priors.length);
    },
  );
});
