// A storm is coming, the grid is still there, and the battery feeds the house instead of keeping its charge.
// Easily confused with: an outage that has begun, a battery that is full, an alert that is gone, and a pulse of
// a minute.

import { z } from 'zod';
import { ABSENT, defineDetector, type Verdict } from '../detector.ts';
import { TURNS_MS } from '../models/storm-preparation.ts';
import { expectedText, NOT_SAID, rounded, spanText } from '../wording.ts';

const MINUTE_MS = 60_000;
/** What it did before so long a silence says nothing of what it did in it. */
const SILENCE_MS = 15 * MINUTE_MS;

const schema = z.object({
  lastMs: z.number(),
  /** Since when it feeds with the grid there; null while it does not. */
  feedingSinceMs: z.number().nullable(),
  /** Since when it has ceased again, while that is too short to say so. */
  ceasedSinceMs: z.number().nullable(),
});

export const stormDischarging = defineDetector({
  kind: 'storm-discharging',
  thresholds: {
    onDelayMin: {
      default: 10,
      unit: 'min',
      min: 1,
      max: 240,
      source: 'common practice: two dispatch periods',
    },
    feedingW: { default: 50, unit: 'W', min: 10, max: 1000, source: 'common practice: beyond control error' },
    nearTargetPct: {
      default: 1,
      unit: '%EL',
      min: 0,
      max: 20,
      source: 'common practice: one step of a battery gauge',
    },
    ceasedS: {
      default: 60,
      unit: 's',
      min: 0,
      max: 600,
      source: 'common practice: loads come and go within it',
    },
  },
  wants: ['battery', 'storm', 'tick'],
  readingsOf: (device) => [device],
  delays: (values) => ({ onDelayMs: values.onDelayMin * MINUTE_MS, offDelayMs: TURNS_MS }),
  subjects: (site) => site.batteries.map((battery) => battery.device),
  state: schema,
  start: () => ({ lastMs: 0, feedingSinceMs: null, ceasedSinceMs: null }),
  observe(event, { subject, state, view, values }): Verdict | undefined {
    const { open } = view.storm;
    if (event.kind !== 'battery') return open === null ? ABSENT : undefined;
    const { at, socPct, acW } = event;
    if (at - state.lastMs > SILENCE_MS) state.feedingSinceMs = null;
    state.lastMs = Math.max(at, state.lastMs);
    if (view.grid.present === false || event.gridPresent === false) {
      state.feedingSinceMs = null;
      return ABSENT;
    }
    if (acW === null) return { is: 'unknown', why: 'no power' };
    if (acW > -values.feedingW) {
      state.ceasedSinceMs ??= at;
      if (at - state.ceasedSinceMs < values.ceasedS * 1000) return { is: 'unknown', why: 'just ceased' };
      state.feedingSinceMs = null;
      return ABSENT;
    }
    state.ceasedSinceMs = null;
    state.feedingSinceMs ??= at;

    const { targetPct } = view.site.storm;
    if (open === null || at >= open.untilMs) return ABSENT;
    if (socPct !== null && socPct >= targetPct - values.nearTargetPct) return ABSENT;
    // A unit need not keep its charge before the alert was known.
    const sinceMs = Math.max(state.feedingSinceMs, open.sinceMs, open.knownMs);
    return {
      is: 'present',
      sinceMs,
      confidence: 1,
      facts: {
        feedsW: rounded(-acW),
        socPct: socPct === null ? 'an unknown charge' : `${rounded(socPct, 1)} %`,
        targetPct,
        event: open.event,
        feedingMs: Math.max(0, at - sinceMs),
        onsetMs: open.onsetMs ?? NOT_SAID,
      },
      evidence: () => ({
        fromMs: sinceMs - 30 * MINUTE_MS,
        toMs: at,
        series: [`${subject} ac.p`, `${subject} soc`],
        figures: [
          { label: 'Power fed to the house', value: rounded(-acW), unit: 'W', source: `${subject} ac.p` },
          {
            label: 'State of charge',
            value: socPct === null ? 'not known' : rounded(socPct, 1),
            unit: '%',
            source: `${subject} soc`,
          },
          { label: 'Target', value: targetPct, unit: '%', source: 'site registration' },
          { label: 'Alert', value: open.event, unit: '', source: 'CAP 1.2 alert in force' },
          {
            label: 'Expected',
            value: expectedText(open.onsetMs ?? NOT_SAID, view.site.timeZone),
            unit: '',
            source: 'CAP 1.2 onset',
          },
        ],
      }),
    };
  },
  words: ({ site, subject, facts }) => {
    const expected = expectedText(Number(facts['onsetMs']), site.timeZone);
    return {
      headline: `${subject} feeds the house with ${facts['feedsW']} W at ${facts['socPct']}, though ${facts['event']} is expected ${expected}.`,
      explanation: `An alert is in force for this site and the battery should be charging to ${facts['targetPct']} %; it has been discharging for ${spanText(Number(facts['feedingMs']))} with the grid there.`,
      steps: [
        'See which schedule or mode makes it feed, and suspend it until the storm has passed.',
        'Start a charge and watch that the power turns.',
        "See whether the unit's own storm preparation is switched on.",
      ],
      caution: null,
      homeowner: `${facts['event']} is expected ${expected}, but your battery is being used up instead of charging; your installer has been told.`,
    };
  },
});
