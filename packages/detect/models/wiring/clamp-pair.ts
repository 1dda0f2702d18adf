// What is known of one pair of clamps (the service legs, or the inlets): the posterior over its arrangements,
// the gains its readings suggest, and how much evidence of which kind it rests on.

import { z } from 'zod';
import {
  type Arrangement,
  arrangementsOf,
  CLAMP_STATES,
  type ClampState,
  isPlainSwap,
  logFloorsOf,
  logPriorsOf,
  type PairName,
} from './arrangement.ts';
import { logOdds, MOST_NATS, withEvidence } from './sequential-test.ts';

/** `steps`: switching battery; `levels`: inlet against battery; `lineLoads`: 240 V loads; `standing`: standing import; `voltage`: loads that pull their own leg's voltage down. */
export const EVIDENCE_KINDS = ['steps', 'levels', 'lineLoads', 'standing', 'voltage'] as const;
export type EvidenceKind = (typeof EVIDENCE_KINDS)[number];

/** CTs of half or double the rating are the usual ones to be taken for each other (common practice). */
export const USUAL_RATIOS: readonly number[] = [0.5, 2];
/** Gains remembered for each channel. */
const GAINS = 3;
/** A gain nearer to 1 than this is no other ratio: a battery's own figure and a clamp differ by some per cent. */
const OWN_RATIO = { low: 0.8, high: 1.25 };
const OTHER_RATIO = { least: 0.08, most: 12 };
/** Length of that range on a logarithmic scale, both signs. */
const RATIO_LOG_RANGE = 2 * Math.log(OTHER_RATIO.most / OTHER_RATIO.least);
/** A gain is known when the last two are within this share of each other. */
const SAME_GAIN = 0.1;
const DAY_MS = 86_400_000;
/** A timer's clock and the battery's are not farther apart than this from one day to the next. */
const SAME_HOUR_MS = 10 * 60_000;

const clampSchema = z.object({
  /** Pieces of evidence, in the order of EVIDENCE_KINDS. */
  counts: z.array(z.number()).length(EVIDENCE_KINDS.length),
  /** Device time of the last evidence; 0 before any. */
  lastMs: z.number(),
  /** Device time of the first evidence against this clamp since the last for it; 0 while it is for it. */
  againstSinceMs: z.number(),
  gains: z.array(z.number()).max(GAINS),
  /** Device time of the newest of them; 0 before any. */
  gainMs: z.number(),
});

export const clampPairSchema = z.object({
  name: z.enum(['service', 'inlets']),
  /** Posterior of each arrangement, in hundredths of a nat above its floor: most stand there. */
  above: z.array(z.number()),
  clamps: z.array(clampSchema),
  /** Is there something to judge since the newest reading? */
  isNews: z.boolean(),
  /** Device time at which there last was. */
  newsMs: z.number(),
});
export type ClampPair = z.infer<typeof clampPairSchema>;

/** Log-likelihood of what channel `channel` showed, if the pair is swapped or not and its clamp is in `state`. */
export type ChannelLikelihood = (channel: number, swapped: boolean, state: ClampState) => number;

/** @param channels 1 or 2 */
export function startClampPair(name: PairName, channels: number): ClampPair {
  const clamps = Array.from({ length: channels }, startClamp);
  const pair: ClampPair = { name, above: [], clamps, isNews: false, newsMs: 0 };
  const priors = logPriorsOf(name, channels);
  update(
    pair,
    priors,
    priors.map(() => 0),
    0,
  );
  return pair;
}

/** Posterior of each arrangement, nats below the most likely one, in the order of `arrangementsOf`. */
export function logsOf({ name, above, clamps }: ClampPair): number[] {
  const floors = logFloorsOf(name, clamps.length);
  const logs: number[] = [];
  for (let h = 0; h < floors.length; h++) logs.push((floors[h] ?? 0) + (above[h] ?? 0) / 100);
  return logs;
}

/** Adds evidence to what is known. A hundredth of a nat decides nothing, even if it comes again and again. */
function update(
  pair: ClampPair,
  logs: readonly number[],
  logLikelihoods: readonly number[],
  weight: number,
  mostNats = MOST_NATS,
): void {
  const floors = logFloorsOf(pair.name, pair.clamps.length);
  const next = withEvidence(logs, floors, logLikelihoods, weight, mostNats);
  for (let h = 0; h < next.length; h++) next[h] = Math.round(100 * ((next[h] ?? 0) - (floors[h] ?? 0)));
  pair.above = next;
}

/**
 * Adds one piece of evidence to the pair. What each channel showed is a witness of its own: a load that switches by
 * chance at that moment is one coincidence, and weighs MOST_NATS at most; that it hides a step on one channel and
 * makes up another on the other are two.
 * @param weight 0 to 1, see `withEvidence`
 * @param concerns the channels that the evidence says something of
 * @param mostNats what all of it may weigh, where one coincidence explains both channels
 */
export function learn(
  pair: ClampPair,
  kind: EvidenceKind,
  at: number,
  weight: number,
  concerns: readonly number[],
  likelihood: ChannelLikelihood,
  mostNats = pair.clamps.length * MOST_NATS,
): void {
  const [first, second] = pair.clamps.map((_, channel) => tableOf(pair, channel, likelihood));
  const sums: number[] = [];
  for (const { swapped, clamps } of arrangementsOf(pair.clamps.length)) {
    const row = swapped ? CLAMP_STATES.length : 0;
    const ofFirst = first?.[row + CLAMP_STATES.indexOf(clamps[0] ?? 'right')] ?? 0;
    sums.push(ofFirst + (second?.[row + CLAMP_STATES.indexOf(clamps[1] ?? 'right')] ?? 0));
  }
  add(pair, kind, at, weight, concerns, sums, mostNats);
}

/** What one channel says of every state of its clamp, in its place and swapped, each no less than MOST_NATS below the best. */
function tableOf(pair: ClampPair, channel: number, likelihood: ChannelLikelihood): number[] {
  const logs: number[] = [];
  for (const state of CLAMP_STATES) logs.push(likelihood(channel, false, state));
  if (pair.clamps.length > 1) for (const state of CLAMP_STATES) logs.push(likelihood(channel, true, state));
  const least = Math.max(...logs) - MOST_NATS;
  for (let i = 0; i < logs.length; i++) logs[i] = Math.max(logs[i] ?? 0, least);
  return logs;
}

/** The same, for evidence on how the clamps of a pair stand to each other. */
export function learnJointly(
  pair: ClampPair,
  kind: EvidenceKind,
  at: number,
  weight: number,
  concerns: readonly number[],
  likelihood: (arrangement: Arrangement) => number,
): void {
  add(pair, kind, at, weight, concerns, arrangementsOf(pair.clamps.length).map(likelihood), MOST_NATS);
}

function add(
  pair: ClampPair,
  kind: EvidenceKind,
  at: number,
  weight: number,
  concerns: readonly number[],
  logLikelihoods: readonly number[],
  mostNats: number,
): void {
  const before = pair.above;
  if (!isKnown(pair, logLikelihoods)) update(pair, logsOf(pair), logLikelihoods, weight, mostNats);
  const changed = !isAlike(pair.above, before);
  if (changed) tell(pair, at);
  for (const channel of concerns) {
    const clamp = pair.clamps[channel];
    if (clamp === undefined) continue;
    const place = EVIDENCE_KINDS.indexOf(kind);
    clamp.counts[place] = (clamp.counts[place] ?? 0) + 1;
    clamp.lastMs = at;
    if (!changed) continue;
    const gained = rightLogOdds(pair, channel) - rightLogOdds({ ...pair, above: before }, channel);
    if (gained > 0) clamp.againstSinceMs = 0;
    else if (gained < 0 && clamp.againstSinceMs === 0) clamp.againstSinceMs = at;
  }
}

/** Does this speak only against what stands at its floor already? That is most of what comes once the clamps are proven. */
function isKnown({ above }: ClampPair, logLikelihoods: readonly number[]): boolean {
  let best = Number.NEGATIVE_INFINITY;
  for (const log of logLikelihoods) best = Math.max(best, log);
  for (let h = 0; h < above.length; h++) {
    if (above[h] !== 0 && logLikelihoods[h] !== best) return false;
  }
  return true;
}

function isAlike(values: readonly number[], others: readonly number[]): boolean {
  if (values === others) return true;
  for (let i = 0; i < values.length; i++) if (values[i] !== others[i]) return false;
  return true;
}

/** There is something to judge. */
export function tell(pair: ClampPair, at: number): void {
  pair.isNews = true;
  pair.newsMs = at;
}

/** Remembers the ratio of what a channel showed to what it should have shown. */
export function noteGain(pair: ClampPair, channel: number, gain: number, at: number): void {
  const clamp = pair.clamps[channel];
  if (clamp === undefined) return;
  if (clamp.gains.length === GAINS) clamp.gains.shift();
  clamp.gains.push(Math.round(1000 * gain) / 1000);
  clamp.gainMs = at;
}

/**
 * A load on a timer starts at the hour of the cheap rate, and so does a battery that charges: day for day the channel
 * shows both, in one ratio. However often it comes, that is one coincidence, and proves no other ratio. A timer that
 * ends a load there, or makes it just a usual ratio, is too rare to wait for another hour.
 * @param wallMs the site's wall clock at an instant: timers and rates change with it
 */
export function isTimersGain(
  pair: ClampPair,
  channel: number,
  gain: number,
  at: number,
  wallMs: (atMs: number) => number,
): boolean {
  if (gain < OWN_RATIO.high || USUAL_RATIOS.some((usual) => isSameGain(gain, usual))) return false;
  if (!isLastOtherGain(pair, channel, gain)) return false;
  const pastMs = (wallMs(at) - wallMs(pair.clamps[channel]?.gainMs ?? 0)) % DAY_MS;
  return Math.min(pastMs, DAY_MS - pastMs) < SAME_HOUR_MS;
}

/**
 * Does a battery that begins or ends feeding show the gain that charging or 240 V loads showed, beyond what following a
 * load can look like? What a load adds to its leg a following battery takes away, so that the leg moves by less than
 * the battery.
 * @param suspected the gain by other evidence than the battery's steps, or null
 */
export function confirmsGain(
  pair: ClampPair,
  channel: number,
  gain: number,
  suspected: number | null,
): boolean {
  if (gain < OWN_RATIO.high) return false;
  return isLastOtherGain(pair, channel, gain) || (suspected !== null && isSameGain(gain, suspected));
}

function isLastOtherGain(pair: ClampPair, channel: number, gain: number): boolean {
  const last = lastOtherGain(pair, channel);
  return last !== null && isSameGain(gain, last);
}

function isSameGain(gain: number, other: number): boolean {
  return Math.abs(gain - other) <= SAME_GAIN * Math.abs(other);
}

/**
 * The gain of a channel if its clamp is of another ratio, from what was noted before: null where the last two
 * differ (loads that switch together with the battery do), or where it is none (about 1, about -1, or about 0).
 * Because it rests on earlier readings only, the likelihood ratio keeps its bounds (H. Robbins and D. Siegmund,
 * The expected sample size of some tests of power one, Annals of Statistics 2, 1974: non-anticipating
 * estimates).
 */
export function otherRatio(pair: ClampPair, channel: number): number | null {
  const gains = pair.clamps[channel]?.gains ?? [];
  const [last, before] = [gains.at(-1), gains.at(-2)];
  if (last === undefined || before === undefined) return null;
  const gain = (last + before) / 2;
  return isOtherRatio(gain) && Math.abs(last - before) <= SAME_GAIN * Math.abs(gain) ? gain : null;
}

/** The gain that a channel showed last, if only a clamp of another ratio shows it: a first word, and no proof. */
export function lastOtherGain(pair: ClampPair, channel: number): number | null {
  const last = pair.clamps[channel]?.gains.at(-1);
  return last !== undefined && isOtherRatio(last) ? last : null;
}

/** Device time at which a channel last showed the gain of the right ratio; 0 where it did not at last. */
export function ownRatioMs(pair: ClampPair, channel: number): number {
  const clamp = pair.clamps[channel];
  const last = clamp?.gains.at(-1);
  return clamp !== undefined && last !== undefined && isOwnRatio(last) ? clamp.gainMs : 0;
}

/**
 * Log-likelihood of a channel that shows `shownW` where a clamp in its place would show `trueW`, if it is of
 * another ratio.
 * @param suspected the gain by other evidence than `noteGain`, or null
 * @param explains log density if that much should have been shown, W
 * @param logOutlier log density of what nothing explains
 */
export function ratioLikelihood(
  pair: ClampPair,
  channel: number,
  suspected: number | null,
  shownW: number,
  trueW: number,
  explains: (expectedW: number) => number,
  logOutlier: number,
): number {
  if (trueW === 0) return explains(0);
  const gain = otherRatio(pair, channel) ?? suspected;
  if (gain !== null) return explains(gain * trueW);
  let density = 0;
  for (const usual of USUAL_RATIOS) density += Math.exp(explains(usual * trueW));
  const isFirst = pair.clamps[channel]?.gains.length === 0;
  const shown = shownW / trueW;
  // Before anything is known of the gain it may be any, each doubling of it as likely as the next.
  const any =
    isFirst && isOtherRatio(shown) ? 1 / (RATIO_LOG_RANGE * Math.abs(shownW)) : Math.exp(logOutlier);
  return Math.log((density / USUAL_RATIOS.length + any) / 2);
}

/** True for a gain that only a clamp of another ratio shows. */
export function isOtherRatio(gain: number): boolean {
  const size = Math.abs(gain);
  return !isOwnRatio(gain) && size >= OTHER_RATIO.least && size <= OTHER_RATIO.most;
}

/** True for a gain that a clamp of the right ratio may show, reversed or not. */
export function isOwnRatio(gain: number): boolean {
  return Math.abs(gain) >= OWN_RATIO.low && Math.abs(gain) <= OWN_RATIO.high;
}

/** Posterior log odds of the arrangements of which `isIn` holds, nats. */
export function pairLogOdds(pair: ClampPair, isIn: (arrangement: Arrangement) => boolean): number {
  const arrangements = arrangementsOf(pair.clamps.length);
  return logOdds(logsOf(pair), (h) => {
    const arrangement = arrangements[h];
    return arrangement !== undefined && isIn(arrangement);
  });
}

/** Log odds that a clamp sits in its place with its arrow right and measures truly. */
export function rightLogOdds(pair: ClampPair, channel: number): number {
  return pairLogOdds(pair, ({ swapped, clamps }) => !swapped && clamps[channel] === 'right');
}

/** Log odds that a clamp is in this state; the arrows of a plain swap belong to the swap. */
export function stateLogOdds(pair: ClampPair, channel: number, state: ClampState): number {
  return pairLogOdds(
    pair,
    (arrangement) => arrangement.clamps[channel] === state && !isPlainSwap(arrangement),
  );
}

/** Log odds that a clamp's arrow is turned; one of another ratio may be turned as well. */
export function reversedLogOdds(pair: ClampPair, channel: number): number {
  const turned: readonly (ClampState | undefined)[] =
    (otherRatio(pair, channel) ?? 1) < 0 ? ['reversed', 'ratio'] : ['reversed'];
  return pairLogOdds(
    pair,
    (arrangement) => turned.includes(arrangement.clamps[channel]) && !isPlainSwap(arrangement),
  );
}

export function swappedLogOdds(pair: ClampPair): number {
  return pairLogOdds(pair, ({ swapped }) => swapped);
}

/** The most likely arrangement. */
export function likeliest(pair: ClampPair): Arrangement {
  const arrangements = arrangementsOf(pair.clamps.length);
  const logs = logsOf(pair);
  const arrangement = arrangements[logs.indexOf(Math.max(...logs))] ?? arrangements[0];
  if (arrangement === undefined) throw new Error('a pair has at least one arrangement');
  return arrangement;
}

/** Forgets what is known of one clamp (somebody has mended it) and keeps what is known of the other. */
export function forgetClamp(pair: ClampPair, channel: number): void {
  const channels = pair.clamps.length;
  const arrangements = arrangementsOf(channels);
  const priors = logPriorsOf(pair.name, channels);
  const other = channels === 2 ? 1 - channel : undefined;
  const known = (arrangement: Arrangement, logs: readonly number[]) => {
    if (other === undefined) return 0;
    let sum = 0;
    arrangements.forEach((a, h) => {
      const same = a.swapped === arrangement.swapped && a.clamps[other] === arrangement.clamps[other];
      if (same) sum += Math.exp(logs[h] ?? 0);
    });
    return Math.log(sum);
  };
  const logs = logsOf(pair);
  const left = arrangements.map((a, h) => (priors[h] ?? 0) + known(a, logs) - known(a, priors));
  update(
    pair,
    left,
    left.map(() => 0),
    0,
  );
  pair.clamps[channel] = startClamp();
  pair.newsMs = 0;
}

/** Pieces of evidence of one kind on a clamp. */
export function countOf({ counts }: ClampPair['clamps'][number], kind: EvidenceKind): number {
  return counts[EVIDENCE_KINDS.indexOf(kind)] ?? 0;
}

/** The upper of the two middle values where there are two. */
export function medianOf(values: readonly number[]): number | undefined {
  return values.toSorted((a, b) => a - b)[Math.floor(values.length / 2)];
}

function startClamp(): ClampPair['clamps'][number] {
  return {
    counts: EVIDENCE_KINDS.map(() => 0),
    lastMs: 0,
    againstSinceMs: 0,
    gains: [],
    gainMs: 0,
  };
}
