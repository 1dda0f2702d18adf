// A clamp reads by a constant factor too much or too little: a CT of another ratio than the meter is set to
// (half, double, ...), or a conductor passed through it twice.
// Easily confused with: the few per cent by which a battery's own figure and a clamp differ (0.8 to 1.25 is no
// other ratio), a load that switches together with the battery (not always the same share of it), two loads
// that switch together (the ratio of the legs must be the same for 240 V loads of several sizes).
// Decided by the posterior of models/wiring.ts; bounds after Wald 1945.

import { defineDetector, type Verdict } from '../detector.ts';
import { otherRatio, stateLogOdds } from '../models/wiring/clamp-pair.ts';
import {
  batterySeries,
  NO_DELAYS,
  slopeFigures,
  startStateless,
  statelessSchema,
  verdictOf,
} from '../models/wiring/verdict.ts';
import { clampOf, clampSubjects, pairOf } from '../models/wiring-report.ts';
import { PANEL_CAUTION, rounded } from '../wording.ts';

/** Stands in the facts where loads gave the ratio of the legs, and no battery the gain. */
const NOT_MEASURED = 0;

export const ctRatio = defineDetector({
  kind: 'ct-ratio',
  thresholds: {},
  wants: ['meter', 'battery'],
  onWiringNews: true,
  delays: () => NO_DELAYS,
  subjects: clampSubjects,
  state: statelessSchema,
  start: startStateless,
  observe(event, { subject, view }): Verdict | undefined {
    if (!pairOf(view, subject).isNews) return undefined;
    const { pair, channel, quantity } = clampOf(view, subject);
    const series = `${view.site.meter.device} ${quantity}`;
    return verdictOf({
      logOdds: stateLogOdds(pair, channel, 'ratio'),
      pair,
      channels: [channel],
      at: event.at,
      facts: { gain: rounded(Math.abs(otherRatio(pair, channel) ?? NOT_MEASURED), 2) },
      series: [series, ...batterySeries(view.site)],
      figures: slopeFigures(pair, channel, series),
    });
  },
  words: ({ subject, facts }) => ({
    headline:
      facts['gain'] === NOT_MEASURED
        ? `The CT of ${subject} has another ratio than that of the other leg.`
        : `The CT of ${subject} reads ${facts['gain']} times what flows: it has another ratio than the meter is set to.`,
    explanation:
      facts['gain'] === NOT_MEASURED
        ? '240 V loads draw the same from both legs, but the two channels show steps of different size, always in the same ratio.'
        : 'Against the battery, the channel moves by a constant factor other than 1.',
    steps: [
      `Compare the rating printed on the clamp of ${subject} with the CT rating set in the meter, and correct the setting or have the clamp exchanged.`,
      'See that the conductor passes through the clamp once, and that the clamp is fully closed.',
    ],
    caution: PANEL_CAUTION,
    homeowner: null,
  }),
});
