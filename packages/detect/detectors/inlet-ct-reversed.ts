// The arrow of an inlet's CT points the wrong way: the channel shows charging where the battery discharges.
// Easily confused with: readings that do not belong together (clock offset, a battery that has just changed:
// its last readings bracket what is compared), and the other inlet's clamp on this conductor (that is
// inlet-ct-swapped). Convention of the arrow: inlet CTs face the breaker (common practice).
// Decided by the posterior of models/wiring.ts; bounds after Wald 1945.

import { defineDetector, type Verdict } from '../detector.ts';
import { reversedLogOdds } from '../models/wiring/clamp-pair.ts';
import {
  batterySeries,
  NO_DELAYS,
  slopeFigures,
  startStateless,
  statelessSchema,
  verdictOf,
} from '../models/wiring/verdict.ts';
import { PANEL_CAUTION } from '../wording.ts';

export const inletCtReversed = defineDetector({
  kind: 'inlet-ct-reversed',
  thresholds: {},
  wants: ['meter', 'battery'],
  onWiringNews: true,
  delays: () => NO_DELAYS,
  subjects: (site) => site.inlets.map(({ number }) => `inlet ${number}`),
  state: statelessSchema,
  start: startStateless,
  observe(event, { subject, view }): Verdict | undefined {
    const { site, wiring } = view;
    if (!wiring.inlets.isNews) return undefined;
    const channel = site.inlets.findIndex(({ number }) => subject === `inlet ${number}`);
    const series = `${site.meter.device} ${subject.replace(' ', '')}.p`;
    return verdictOf({
      logOdds: reversedLogOdds(wiring.inlets, channel),
      pair: wiring.inlets,
      channels: [channel],
      at: event.at,
      facts: {},
      series: [series, ...batterySeries(site)],
      figures: slopeFigures(wiring.inlets, channel, series),
    });
  },
  words: ({ subject }) => ({
    headline: `The CT of ${subject} is reversed: its arrow must face the breaker.`,
    explanation: `The ${subject} channel reads as much as the battery says, with the sign turned: it shows discharging while the battery charges. All that rests on it (limits, energy, backfeed) is told the wrong way round until it is turned.`,
    steps: [
      `Have the clamp of ${subject} opened and turned around on the same conductor, so that its arrow faces the breaker, and closed until it clicks.`,
      'Then let the battery charge for three minutes: the reading must be positive.',
    ],
    caution: PANEL_CAUTION,
    homeowner: null,
  }),
});
