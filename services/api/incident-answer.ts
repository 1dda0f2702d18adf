// An incident as callers see it: all of it for staff; for a homeowner one plain sentence, without the wiring,
// the steps, the figures, or who at the installer's said what.

import type { CallerRole, IncidentReader, StoredIncident, StoredTransition } from '@afterwatt/store';
import { PRIORITIES } from '@afterwatt/wire';
import { z } from 'zod';
import { time } from './answer-fields.ts';

const transitionAnswer = z
  .object({
    type: z
      .enum(['raised', 'updated', 'cleared', 'acknowledged', 'shelved', 'unshelved', 'note', 'mended'])
      .describe('`mended`: somebody says that the fault is mended, and evidence is gathered anew.'),
    at: time.describe('Wall clock.'),
    eventAt: time.nullable().describe('Device time, for what detection said.'),
    by: z.string().describe('`detection`, `time`, or the name of the token.'),
    note: z.string().nullable(),
  })
  .meta({ id: 'Transition' });

const figureAnswer = z.object({
  label: z.string(),
  value: z.union([z.number(), z.string()]),
  unit: z.string(),
  source: z.string().describe('The reading, the standard, or common practice.'),
});

export const incidentAnswer = z
  .object({
    id: z.string(),
    site: z.string().nullable().describe('null for a fault that many sites share.'),
    siteName: z.string().nullable(),
    kind: z.string(),
    subject: z.string().meta({ examples: ['L1', 'inlet 1', 'battery-1'] }),
    priority: z.enum(PRIORITIES),
    state: z.enum(['active', 'cleared']),
    acknowledgedAt: time.nullable(),
    acknowledgedBy: z.string().nullable(),
    shelvedUntil: time.nullable(),
    onsetAt: time.describe('When the fault began, device time.'),
    detectedAt: time.describe('Device time of the reading or tick that decided it.'),
    raisedAt: time.describe('Wall clock.'),
    clearedAt: time.nullable().describe('Device time.'),
    clearedWhy: z.string().nullable(),
    late: z.boolean().describe('Found in readings that came long after their time: nobody was notified.'),
    chattering: z.boolean().describe('Raised again and again within the hour, and therefore held.'),
    headline: z.string(),
    explanation: z.string().nullable().describe('null for homeowners.'),
    steps: z.array(z.string()),
    caution: z.string().nullable(),
    confidence: z.number(),
    evidence: z
      .object({
        from: time,
        to: time,
        series: z.array(z.string()).describe('What to plot, as "device quantity".'),
        figures: z.array(figureAnswer),
      })
      .nullable()
      .describe('null for homeowners.'),
    history: z.array(transitionAnswer),
  })
  .meta({ id: 'Incident' });

export type IncidentAnswer = z.infer<typeof incidentAnswer>;

export function readerOf(role: CallerRole): IncidentReader {
  return role === 'homeowner' ? 'homeowner' : 'staff';
}

export function incidentAnswerFor(role: CallerRole, stored: StoredIncident): IncidentAnswer {
  const { evidence } = stored;
  const answer: IncidentAnswer = {
    id: stored.id,
    site: stored.site,
    siteName: stored.siteName,
    kind: stored.kind,
    subject: stored.subject,
    priority: stored.priority,
    state: stored.state,
    acknowledgedAt: isoOf(stored.acknowledged_at),
    acknowledgedBy: stored.acknowledged_by,
    shelvedUntil: isoOf(isAhead(stored.shelved_until) ? stored.shelved_until : null),
    onsetAt: stored.onset_at.toISOString(),
    detectedAt: stored.detected_at.toISOString(),
    raisedAt: stored.raised_at.toISOString(),
    clearedAt: isoOf(stored.cleared_at),
    clearedWhy: stored.cleared_why,
    late: stored.late,
    chattering: stored.chattering,
    headline: stored.headline,
    explanation: stored.explanation,
    steps: stored.steps,
    caution: stored.caution,
    confidence: stored.confidence,
    evidence: { ...evidence, series: [...evidence.series], figures: [...evidence.figures] },
    history: stored.history.map(transitionAnswerOf),
  };
  return role === 'homeowner' ? forHomeowner(answer, stored.homeowner ?? '') : answer;
}

/** What a homeowner hears of the history: that it came and went, and that somebody has seen it. */
const TOLD: ReadonlySet<StoredTransition['type']> = new Set(['raised', 'cleared', 'acknowledged']);

export function isTransitionTold(role: CallerRole, { type }: Pick<StoredTransition, 'type'>): boolean {
  return role !== 'homeowner' || TOLD.has(type);
}

export function transitionAnswerFor(
  role: CallerRole,
  stored: StoredTransition,
): z.infer<typeof transitionAnswer> {
  const answer = transitionAnswerOf(stored);
  return role === 'homeowner' ? anonymous(answer) : answer;
}

function forHomeowner(answer: IncidentAnswer, sentence: string): IncidentAnswer {
  return {
    ...answer,
    headline: sentence,
    explanation: null,
    steps: [],
    caution: null,
    evidence: null,
    acknowledgedBy: null,
    clearedWhy: null,
    history: answer.history.filter((one) => isTransitionTold('homeowner', one)).map(anonymous),
  };
}

function anonymous(answer: z.infer<typeof transitionAnswer>): z.infer<typeof transitionAnswer> {
  return { ...answer, by: answer.by === 'detection' ? 'detection' : 'installer', note: null };
}

function transitionAnswerOf(stored: StoredTransition): z.infer<typeof transitionAnswer> {
  const { type, at, event_at, by, note } = stored;
  return { type, at: at.toISOString(), eventAt: isoOf(event_at), by, note };
}

/** What is on the shelf comes back at its time, though its row may say so a moment later. */
function isAhead(at: Date | null): boolean {
  return at !== null && at.getTime() > Date.now();
}

function isoOf(at: Date | null): string | null {
  return at?.toISOString() ?? null;
}
