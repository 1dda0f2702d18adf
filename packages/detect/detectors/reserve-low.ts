// The state of charge lies below the reserve that the owner asked to be kept for an outage.
// Easily confused with: a battery that is on its way back up after an outage (recharging: not a fault), and
// an outage itself (the reserve is there to be used: told at once, as expected use, with the time left).
// Thresholds: deadband 2 points after ISA-18.2's starting deadband for level (2 to 5 % of range).

import { z } from 'zod';
import { ABSENT, defineDetector, type Verdict } from '../detector.ts';

const MINUTE_MS = 60_000;

const state = z.object({
  /** Device time of the first reading below the reserve; null while it is not below. */
  belowSinceMs: z.number().nullable(),
  lowestPct: z.number(),
});

export const reserveLow = defineDetector({
  kind: 'reserve-low',
  thresholds: {
    belowPct: {
      default: 1,
      unit: '%EL',
      min: 0,
      max: 50,
      source: 'common practice: one step of a battery gauge',
    },
    deadbandPct: { default: 2, unit: '%EL', min: 0, max: 20, source: 'ISA-18.2 starting deadband for level' },
    onDelayMin: {
      default: 10,
      unit: 'min',
      min: 0,
      max: 240,
      source: 'common practice: two dispatch periods of 5 min',
    },
    rechargingW: {
      default: 50,
      unit: 'W',
      min: 10,
      max: 1000,
      source: 'common practice: above standby draw',
    },
  },
  wants: ['battery'],
  delays: (values) => ({ onDelayMs: values.onDelayMin * MINUTE_MS, offDelayMs: MINUTE_MS }),
  subjects: (site) => site.batteries.map((battery) => battery.device),
  state,
  start: () => ({ belowSinceMs: null, lowestPct: 100 }),
  observe({ subject, state, event, view, values }): Verdict | undefined {
    if (event.kind !== 'battery' || event.device !== subject) return undefined;
    const battery = view.site.batteries.find((b) => b.device === subject);
    if (battery === undefined || event.socPct === null) return undefined;
    const { socPct, acW, at } = event;

    if (socPct >= battery.reservePct + values.deadbandPct) {
      state.belowSinceMs = null;
      state.lowestPct = 100;
      return ABSENT;
    }
    if (socPct > battery.reservePct - values.belowPct && state.belowSinceMs === null) return ABSENT;
    state.belowSinceMs ??= at;
    state.lowestPct = Math.min(state.lowestPct, socPct);
    const outage = view.grid.present === false;
    if (!outage && acW !== null && acW >= values.rechargingW) return { is: 'unknown', why: 'recharging' };

    const sinceMs = state.belowSinceMs;
    const lowestPct = state.lowestPct;
    return {
      is: 'present',
      sinceMs,
      confidence: 1,
      atOnce: outage,
      facts: { socPct, reservePct: battery.reservePct, outage },
      evidence: () => ({
        fromMs: sinceMs - 60 * MINUTE_MS,
        toMs: at,
        series: [`${subject} soc`, `${subject} ac.p`],
        figures: [
          { label: 'State of charge', value: socPct, unit: '%', source: `${subject} soc` },
          { label: 'Lowest', value: lowestPct, unit: '%', source: `${subject} soc` },
          { label: 'Reserve asked for', value: battery.reservePct, unit: '%', source: 'site registration' },
        ],
      }),
    };
  },
  words: ({ subject, facts }) =>
    facts['outage'] === true
      ? {
          headline: `${subject} is carrying the house through an outage and has fallen to ${facts['socPct']} %, below its reserve of ${facts['reservePct']} %.`,
          explanation:
            'The grid is away and the battery is doing what it is there for. The reserve is being used up.',
          steps: ['Nothing to mend. Call the homeowner if the outage is expected to last.'],
          caution: null,
          homeowner: `Your battery is at ${facts['socPct']} % and the grid is still away: use only what you need.`,
        }
      : {
          headline: `${subject} holds ${facts['socPct']} %, below the reserve of ${facts['reservePct']} %, while the grid is there.`,
          explanation:
            'The grid is present and the battery is neither recharging nor at its reserve, so its schedule or its reserve setting lets it drain.',
          steps: [
            "Compare the unit's own reserve setting with the site's.",
            'See whether a schedule discharges it below the reserve.',
            'Set it to charge and watch that the state of charge rises.',
          ],
          caution: null,
          homeowner: `Your battery is below the reserve you asked for (${facts['socPct']} % of ${facts['reservePct']} %); we have told your installer.`,
        },
});
