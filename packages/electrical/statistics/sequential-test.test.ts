// Sequential tests, against Wald's inequalities, by simulation with a fixed seed.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { seededRandom } from './seeded-random.ts';
import {
  advanceHypotheses,
  createHypothesisTest,
  decideHypothesis,
  decideSequentially,
  likeliestHypothesis,
  posteriorOf,
  type SequentialDecision,
  waldThresholds,
} from './sequential-test.ts';

const RUNS = 20_000;

/** Mean 0 against mean `shift` in unit normal noise: share of wrong decisions, and mean sample number. */
function simulate(trueMean: number, shift: number, alpha: number, beta: number, right: SequentialDecision) {
  const { normal } = seededRandom(1 + Math.round(1000 * trueMean));
  const thresholds = waldThresholds(alpha, beta);
  let wrong = 0;
  let samples = 0;
  for (let run = 0; run < RUNS; run++) {
    let logRatio = 0;
    let decision: SequentialDecision = 'continue';
    while (decision === 'continue') {
      logRatio += shift * (trueMean + normal()) - (shift * shift) / 2;
      samples += 1;
      decision = decideSequentially(logRatio, thresholds);
    }
    if (decision !== right) wrong += 1;
  }
  return { errorRate: wrong / RUNS, meanSamples: samples / RUNS };
}

describe("Wald's test", () => {
  it('has the thresholds ln 19 and -ln 19 at 5 % each', () => {
    expect(waldThresholds(0.05, 0.05).upper).toBeCloseTo(Math.log(19), 12);
    expect(waldThresholds(0.05, 0.05).lower).toBeCloseTo(-Math.log(19), 12);
  });

  it.each([
    { alpha: 0.05, beta: 0.05, shift: 0.5 },
    { alpha: 0.01, beta: 0.1, shift: 0.3 },
    { alpha: 0.1, beta: 0.02, shift: 1 },
  ])('keeps both error rates: alpha $alpha, beta $beta, shift $shift', ({ alpha, beta, shift }) => {
    const underNull = simulate(0, shift, alpha, beta, 'null');
    const underAlternative = simulate(shift, shift, alpha, beta, 'alternative');
    // Wald (1947), section 3.2; three standard errors of the simulation on top.
    const noise = 3 * Math.sqrt(0.25 / RUNS) * 2 * Math.sqrt(Math.max(alpha, beta));
    expect(underNull.errorRate).toBeLessThanOrEqual(alpha / (1 - beta) + noise);
    expect(underAlternative.errorRate).toBeLessThanOrEqual(beta / (1 - alpha) + noise);
    expect(underNull.errorRate + underAlternative.errorRate).toBeLessThanOrEqual(alpha + beta + noise);
    // Not just never deciding wrongly: overshoot alone keeps the rates below, by no more than a factor of 3.
    expect(underNull.errorRate).toBeGreaterThan(alpha / 3);
  });

  it('needs about as many samples as Wald computes', () => {
    // ((1 - beta) ln A + beta ln B) / (shift^2 / 2): 2.650 / 0.045 = 58.9 samples, plus the overshoot.
    const { meanSamples } = simulate(0.3, 0.3, 0.05, 0.05, 'alternative');
    expect(meanSamples).toBeGreaterThan(58.9);
    expect(meanSamples).toBeLessThan(58.9 * 1.15);
  });
});

describe('several hypotheses', () => {
  it('two of them are the likelihood ratio', () => {
    fc.assert(
      fc.property(fc.array(fc.double({ min: -3, max: 3, noNaN: true }), { maxLength: 8 }), (ratios) => {
        const state = createHypothesisTest([1, 1]);
        for (const ratio of ratios) advanceHypotheses(state, [0, ratio]);
        const total = ratios.reduce((sum, ratio) => sum + ratio, 0);
        expect(posteriorOf(state, 1)).toBeCloseTo(1 / (1 + Math.exp(-total)), 9);
      }),
    );
  });

  it('follow Bayes: the two-coin textbook case', () => {
    // A fair coin and one with two heads, equally likely; after three heads the second has 8 / 9.
    const state = createHypothesisTest([0.5, 0.5]);
    for (let k = 0; k < 3; k++) advanceHypotheses(state, [Math.log(0.5), 0]);
    expect(posteriorOf(state, 1)).toBeCloseTo(8 / 9, 12);
  });

  it('are decided wrongly no more often than asked', () => {
    // Slopes of a channel against a known step: right, reversed, none, half; one noisy step an observation.
    const slopes = [1, -1, 0, 0.5];
    const { uniform, normal } = seededRandom(99);
    let wrong = 0;
    const runs = 5000;
    for (let run = 0; run < runs; run++) {
      const truth = Math.floor(4 * uniform());
      const state = createHypothesisTest([1, 1, 1, 1]);
      let decided: number | undefined;
      while (decided === undefined) {
        const reading = (slopes[truth] ?? 0) + 1.5 * normal();
        advanceHypotheses(
          state,
          slopes.map((slope) => -((reading - slope) ** 2) / (2 * 1.5 ** 2)),
        );
        decided = decideHypothesis(state, 0.02);
      }
      if (decided !== truth) wrong += 1;
    }
    expect(wrong / runs).toBeLessThan(0.02 + 3 * Math.sqrt((0.02 * 0.98) / runs));
    expect(wrong / runs).toBeGreaterThan(0.002);
  });

  it('believe a late fault about as fast as an early one', () => {
    const state = createHypothesisTest([0.99, 0.01]);
    for (let k = 0; k < 100_000; k++) advanceHypotheses(state, [0, -1]);
    let steps = 0;
    while (decideHypothesis(state, 0.001) !== 1) {
      advanceHypotheses(state, [0, 1]);
      steps += 1;
    }
    expect(steps).toBeLessThan(40);
    expect(likeliestHypothesis(state)).toBe(1);
  });

  it('an unknown index is a mistake', () => {
    expect(() => posteriorOf(createHypothesisTest([1, 1]), 2)).toThrow(RangeError);
  });
});
