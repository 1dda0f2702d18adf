// What is proven of each clamp, for people at the panel and for whoever must know whether a channel can be
// trusted.

import type { Site } from '@afterwatt/wire';
import type { SiteView } from '../site-view.ts';
import { type Arrangement, CLAMP_STATES, type ClampState } from './wiring/arrangement.ts';
import {
  type ClampPair,
  countOf,
  type EvidenceKind,
  pairLogOdds,
  reversedLogOdds,
  rightLogOdds,
  stateLogOdds,
  swappedLogOdds,
} from './wiring/clamp-pair.ts';
import { ACCEPT_LOG_ODDS, probability, REJECT_LOG_ODDS } from './wiring/sequential-test.ts';

/** What may be wrong with a clamp. `no-signal` and `ratio` as in the incident kinds of that name. */
export type ClampFault = 'reversed' | 'swapped' | 'no-signal' | 'ratio';

export interface ClampReport {
  /** 'L1', 'L2', 'inlet 1', 'inlet 2'. */
  readonly clamp: string;
  /** The meter's quantity, as it is named on the wire: 'l1.p'. */
  readonly quantity: string;
  readonly status: 'proven right' | 'proven wrong' | 'not yet proven';
  /** What is proven wrong; empty otherwise. */
  readonly faults: readonly ClampFault[];
  /** Probability that the clamp is right in place, arrow and ratio, 0 to 1. */
  readonly rightProbability: number;
  /** Pieces of evidence so far, by kind. */
  readonly evidence: Readonly<Record<EvidenceKind, number>>;
  /** Device time of the last piece of evidence, ms since the Unix epoch; null before any. */
  readonly lastEvidenceMs: number | null;
}

const FAULT_OF_STATE: Readonly<Record<ClampState, ClampFault | null>> = {
  right: null,
  reversed: 'reversed',
  dead: 'no-signal',
  ratio: 'ratio',
};

/** The clamps of a site, as they are named in incidents: both service legs, then its inlets. */
export function clampSubjects(site: Site): string[] {
  return ['L1', 'L2', ...site.inlets.map(({ number }) => `inlet ${number}`)];
}

/** The pair that a clamp belongs to. @param subject one of `clampSubjects` */
export function pairOf({ wiring }: SiteView, subject: string): ClampPair {
  return subject === 'L1' || subject === 'L2' ? wiring.service : wiring.inlets;
}

/** Where a clamp is kept in the model. @param subject one of `clampSubjects` */
export function clampOf(
  { site, wiring }: SiteView,
  subject: string,
): { pair: ClampPair; channel: number; quantity: string } {
  if (subject === 'L1' || subject === 'L2') {
    return {
      pair: wiring.service,
      channel: subject === 'L1' ? 0 : 1,
      quantity: `${subject.toLowerCase()}.p`,
    };
  }
  const channel = site.inlets.findIndex(({ number }) => subject === `inlet ${number}`);
  return { pair: wiring.inlets, channel, quantity: `${subject.replace(' ', '')}.p` };
}

/** Some service clamp may show another current than flows: the odds of it are above what any new site starts with. */
const SUSPECTED_LOG_ODDS = -3;

/** Is a service clamp suspected to be dead or of another ratio? Then what its currents seem to explain proves little. */
export function isServiceMismeasured(view: SiteView): boolean {
  return mismeasuredLogOdds(view) > SUSPECTED_LOG_ODDS;
}

/** Is one likelier so than not? Then what its currents do not explain proves nothing. */
export function isServiceLikelyMismeasured(view: SiteView): boolean {
  return mismeasuredLogOdds(view) > 0;
}

function mismeasuredLogOdds({ wiring }: SiteView): number {
  const wrong = ({ clamps }: Arrangement) => clamps.includes('ratio') || clamps.includes('dead');
  return pairLogOdds(wiring.service, wrong);
}

/** What is proven of every clamp of a site by now. */
export function wiringReport(view: SiteView): ClampReport[] {
  return clampSubjects(view.site).map((clamp) => {
    const { pair, channel, quantity } = clampOf(view, clamp);
    const faults = faultsOf(pair, channel);
    const rightOdds = rightLogOdds(pair, channel);
    const known = pair.clamps[channel];
    const lastMs = known?.lastMs ?? 0;
    const proven = rightOdds >= -REJECT_LOG_ODDS && lastMs > 0;
    return {
      clamp,
      quantity,
      status: faults.length > 0 ? 'proven wrong' : proven ? 'proven right' : 'not yet proven',
      faults,
      rightProbability: probability(rightOdds),
      evidence: evidenceOf(known),
      lastEvidenceMs: lastMs === 0 ? null : lastMs,
    };
  });
}

function evidenceOf(clamp: ClampPair['clamps'][number] | undefined): ClampReport['evidence'] {
  const count = (kind: EvidenceKind) => (clamp === undefined ? 0 : countOf(clamp, kind));
  return {
    steps: count('steps'),
    levels: count('levels'),
    lineLoads: count('lineLoads'),
    standing: count('standing'),
    voltage: count('voltage'),
  };
}

function faultsOf(pair: ClampPair, channel: number): ClampFault[] {
  const faults = CLAMP_STATES.flatMap((state) => {
    const fault = FAULT_OF_STATE[state];
    const odds = state === 'reversed' ? reversedLogOdds(pair, channel) : stateLogOdds(pair, channel, state);
    return fault !== null && odds >= ACCEPT_LOG_ODDS ? [fault] : [];
  });
  return swappedLogOdds(pair) >= ACCEPT_LOG_ODDS ? ['swapped', ...faults] : faults;
}
