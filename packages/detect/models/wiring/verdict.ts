// From the posterior of a pair to what its detectors say: Wald's two bounds, and in between nothing is known.

import type { Site } from '@afterwatt/wire';
import { z } from 'zod';
import { ABSENT, type Facts, type Figure, type Verdict } from '../../detector.ts';
import { type ClampPair, countOf, EVIDENCE_KINDS, type EvidenceKind, medianOf } from './clamp-pair.ts';
import { ACCEPT_LOG_ODDS, probability, REJECT_LOG_ODDS } from './sequential-test.ts';

/** A wiring detector remembers nothing: what there is to know is in the model. */
export const statelessSchema = z.object({});
export const startStateless = (): z.infer<typeof statelessSchema> => ({});

/** Wiring is judged by evidence, not by time: an incident comes and goes with the decision. */
export const NO_DELAYS = { onDelayMs: 0, offDelayMs: 0 };

/** Plotted and told up to this long before the evidence began to turn. */
const LEAD_MS = 10 * 60_000;

const EVIDENCE_LABELS: Readonly<Record<EvidenceKind, { label: string; source: string }>> = {
  steps: { label: 'Battery steps compared', source: 'battery ac.p against the service channels' },
  levels: { label: 'Readings compared with the battery', source: 'battery ac.p against the inlet channel' },
  lineLoads: { label: '240 V loads seen', source: 'both service channels at once' },
  voltage: { label: 'Loads that the leg voltages answered to', source: 'l1.v less l2.v, by Kirchhoff' },
  standing: { label: 'Quarter hours of standing load', source: 'service channel with the battery idle' },
};

export interface Judgement {
  readonly logOdds: number;
  readonly pair: ClampPair;
  /** Channels of the pair that the fault is on. */
  readonly channels: readonly number[];
  readonly at: number;
  readonly facts: Facts;
  readonly series: readonly string[];
  readonly figures?: readonly Figure[];
}

export function verdictOf({ logOdds, pair, channels, at, facts, series, figures = [] }: Judgement): Verdict {
  if (logOdds <= REJECT_LOG_ODDS) return ABSENT;
  // Written so that odds that are no number accept nothing.
  if (!(logOdds >= ACCEPT_LOG_ODDS)) return { is: 'unknown', why: 'not enough evidence yet' };
  const clamps = pair.clamps.filter((_, channel) => channels.includes(channel));
  const began = clamps.map(({ againstSinceMs }) => againstSinceMs).filter((ms) => ms > 0);
  const sinceMs = began.length > 0 ? Math.min(...began) : at;
  return {
    is: 'present',
    sinceMs,
    confidence: probability(logOdds),
    atOnce: true,
    facts,
    evidence: () => ({
      fromMs: sinceMs - LEAD_MS,
      toMs: at,
      series,
      figures: [...figures, ...countFigures(clamps)],
    }),
  };
}

/** The typical slope of a channel against what it should have shown, or nothing where none is known. */
export function slopeFigures(pair: ClampPair, channel: number, source: string): Figure[] {
  const slope = medianOf(pair.clamps[channel]?.gains ?? []);
  if (slope === undefined) return [];
  return [{ label: 'Slope against the battery (right: 1)', value: slope, unit: '', source }];
}

/** 'battery-1 ac.p' and so on: what to plot beside a clamp. */
export function batterySeries(site: Site): string[] {
  return site.batteries.map(({ device }) => `${device} ac.p`);
}

function countFigures(clamps: ClampPair['clamps']): Figure[] {
  return EVIDENCE_KINDS.flatMap((kind) => {
    const count = clamps.reduce((sum, clamp) => sum + countOf(clamp, kind), 0);
    return count === 0 ? [] : [{ ...EVIDENCE_LABELS[kind], value: count, unit: '' }];
  });
}
