// The reserve set in the unit itself is not the one the site is registered with, or one of them is so low that
// it is none. It shows only in an outage, when it is too late.
// Easily confused with: a unit that raises its own reserve while it prepares for a storm, and a setting that is
// being changed (on-delay).

import { z } from 'zod';
import { batteryOf } from '../backup-time.ts';
import { ABSENT, defineDetector, type Verdict } from '../detector.ts';
import { rounded } from '../wording.ts';

const MINUTE_MS = 60_000;

const schema = z.object({
  /** Since when the settings are as they are wrong now; null while they are right. */
  sinceMs: z.number().nullable(),
  unitPct: z.number(),
});

export const reserveSetting = defineDetector({
  kind: 'reserve-setting',
  thresholds: {
    differsPct: {
      default: 1,
      unit: '%EL',
      min: 0,
      max: 50,
      source: 'common practice: settings are whole per cents',
    },
    leastPct: {
      default: 5,
      unit: '%EL',
      min: 0,
      max: 50,
      source: 'common practice: below it a reserve is none',
    },
    onDelayMin: {
      default: 10,
      unit: 'min',
      min: 0,
      max: 1440,
      source: 'common practice: time to finish a change',
    },
  },
  wants: ['battery'],
  readingsOf: (device) => [device],
  delays: (values) => ({ onDelayMs: values.onDelayMin * MINUTE_MS, offDelayMs: MINUTE_MS }),
  subjects: (site) => site.batteries.map((battery) => battery.device),
  state: schema,
  start: () => ({ sinceMs: null, unitPct: 0 }),
  observe(event, { subject, state, view, values }): Verdict | undefined {
    if (event.kind !== 'battery') return undefined;
    const unitPct = event.reservePct;
    if (unitPct === null) return undefined;
    const { at } = event;
    const { reservePct } = batteryOf(view.site, subject);
    const tooLow = Math.min(unitPct, reservePct) < values.leastPct;
    if (!tooLow && Math.abs(unitPct - reservePct) < values.differsPct) {
      state.sinceMs = null;
      return ABSENT;
    }
    if (event.stormPreparing === true || at < view.storm.inForceUntilMs) {
      return { is: 'unknown', why: 'a unit may raise its reserve for a storm' };
    }
    if (state.sinceMs === null || unitPct !== state.unitPct) state.sinceMs = at;
    state.unitPct = unitPct;
    const { sinceMs } = state;
    return {
      is: 'present',
      sinceMs,
      confidence: 1,
      facts: { unitPct: rounded(unitPct, 1), reservePct, tooLow, leastPct: values.leastPct },
      evidence: () => ({
        fromMs: sinceMs - 60 * MINUTE_MS,
        toMs: at,
        series: [`${subject} reserve`, `${subject} soc`],
        figures: [
          {
            label: 'Reserve set in the unit',
            value: rounded(unitPct, 1),
            unit: '%',
            source: `${subject} reserve`,
          },
          { label: 'Reserve of the site', value: reservePct, unit: '%', source: 'site registration' },
          { label: 'Least sensible', value: values.leastPct, unit: '%', source: 'common practice' },
        ],
      }),
    };
  },
  words: ({ subject, facts }) => ({
    headline:
      facts['unitPct'] === facts['reservePct']
        ? `${subject} keeps a reserve of ${facts['unitPct']} %, less than ${facts['leastPct']} %.`
        : `${subject} is set to keep ${facts['unitPct']} %, but the site asks for a reserve of ${facts['reservePct']} %.`,
    explanation:
      facts['tooLow'] === true
        ? `A reserve below ${facts['leastPct']} % is used up within minutes of an outage, and a gauge is not that exact.`
        : 'The unit follows its own setting: in an outage it holds what the unit says, not what was agreed.',
    steps: [
      'Ask the homeowner which reserve is wanted.',
      "Set it in the unit, or correct the site's registration.",
    ],
    caution: null,
    homeowner: null,
  }),
});
