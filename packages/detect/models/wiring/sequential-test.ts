// Wald's sequential probability ratio test over several hypotheses, with a floor. Each piece of evidence adds
// its log-likelihood per hypothesis; a set of hypotheses is accepted or rejected when its posterior odds pass
// Wald's bounds (A. Wald, Sequential Tests of Statistical Hypotheses, Annals of Mathematical Statistics 16,
// 1945: accept above ln((1 - beta) / alpha), reject below ln(beta / (1 - alpha))).
//
// A clamp can be turned or mended at any time, so no hypothesis ever falls lower than the probability that
// the world changed to it since: its prior times CHANGE_SHARE. That is Page's reflecting barrier (E. S. Page,
// Continuous Inspection Schemes, Biometrika 41, 1954): old proof cannot delay new evidence without end.

import { waldThresholds } from '@afterwatt/electrical';

/** At most about this share of what is raised may be wrong. */
const ALPHA = 0.003;
/** At most about this share of what is there may be taken for right. */
const BETA = 0.01;
const BOUNDS = waldThresholds(ALPHA, BETA);
/** Posterior log odds above which a set of hypotheses is accepted. */
export const ACCEPT_LOG_ODDS = BOUNDS.upper;
/** Posterior log odds below which it is rejected. */
export const REJECT_LOG_ODDS = BOUNDS.lower;

/** Logarithm of the probability that the wiring has changed since the last evidence: the floor's height. */
export const CHANGE_LOG_SHARE = -8;
/**
 * The most that one piece of evidence may weigh, nats. Below ACCEPT_LOG_ODDS even before the prior: whatever
 * switches once in the house, at however unlucky a moment, decides nothing.
 */
export const MOST_NATS = 6.5;

/**
 * Posterior log probabilities after one more piece of evidence; the largest is 0, and none is below its floor.
 * @param logs before it
 * @param logFloors below which no hypothesis falls: its log prior plus CHANGE_LOG_SHARE, usually
 * @param logLikelihoods of the observation under each hypothesis, nats, up to a common constant
 * @param weight 0 to 1: less than 1 for observations that share their errors with their neighbours
 * @param mostNats the most that it may weigh: MOST_NATS for each independent witness in it
 */
export function withEvidence(
  logs: readonly number[],
  logFloors: readonly number[],
  logLikelihoods: readonly number[],
  weight = 1,
  mostNats = MOST_NATS,
): number[] {
  // A likelihood that is no number (a reading beyond all sense) is no evidence.
  const isSound = areFinite(logLikelihoods);
  const best = largest(logLikelihoods);
  const added: number[] = [];
  for (let h = 0; h < logs.length; h++) {
    const gained = isSound ? weight * Math.max((logLikelihoods[h] ?? 0) - best, -mostNats) : 0;
    added.push((logs[h] ?? 0) + gained);
  }
  const top = largest(added);
  for (let h = 0; h < added.length; h++) added[h] = Math.max((added[h] ?? 0) - top, logFloors[h] ?? 0);
  return added;
}

/**
 * Posterior log odds of a set of hypotheses against all others, nats.
 * @param isIn which hypotheses, by their place in `logs`
 */
export function logOdds(logs: readonly number[], isIn: (hypothesis: number) => boolean): number {
  let within = 0;
  let without = 0;
  for (let h = 0; h < logs.length; h++) {
    const weight = Math.exp(logs[h] ?? 0);
    if (isIn(h)) within += weight;
    else without += weight;
  }
  return Math.log(within) - Math.log(without);
}

/** The probability that odds of exp(`logOdds`) to 1 mean, 0 to 1. */
export function probability(logOdds: number): number {
  return 1 / (1 + Math.exp(-logOdds));
}

function areFinite(values: readonly number[]): boolean {
  for (const value of values) if (!Number.isFinite(value)) return false;
  return true;
}

function largest(values: readonly number[]): number {
  let most = Number.NEGATIVE_INFINITY;
  for (const value of values) if (value > most) most = value;
  return most;
}
