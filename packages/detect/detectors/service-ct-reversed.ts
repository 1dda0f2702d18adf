// The arrow of a service leg's CT points the wrong way: the leg seems to export what it imports.
// Easily confused with: a house that really exports (other generation, registered or forgotten: it exports by
// day only, and battery steps keep their direction), a battery that feeds back, a clamp on the other leg
// (its sign is turned too: service-ct-swapped), loads that switch together with the battery.
// Convention of the arrow: service CTs face the grid (common practice).
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

export const serviceCtReversed = defineDetector({
  kind: 'service-ct-reversed',
  thresholds: {},
  wants: ['meter', 'battery'],
  onWiringNews: true,
  delays: () => NO_DELAYS,
  subjects: () => ['L1', 'L2'],
  state: statelessSchema,
  start: startStateless,
  observe(event, { subject, view }): Verdict | undefined {
    const { site, wiring } = view;
    if (!wiring.service.isNews) return undefined;
    const channel = subject === 'L1' ? 0 : 1;
    const series = `${site.meter.device} ${subject.toLowerCase()}.p`;
    return verdictOf({
      logOdds: reversedLogOdds(wiring.service, channel),
      pair: wiring.service,
      channels: [channel],
      at: event.at,
      facts: {},
      series: [series, ...batterySeries(site)],
      figures: slopeFigures(wiring.service, channel, series),
    });
  },
  words: ({ subject }) => ({
    headline: `The ${subject} service CT is reversed: its arrow must face the grid.`,
    explanation: `What flows from the grid into ${subject} is shown as flowing out. Totals of both legs, import and export are wrong until it is turned.`,
    steps: [
      `Have the ${subject} service clamp opened and turned around on the same conductor, so that its arrow faces the grid, and closed until it clicks.`,
      'Then switch the battery on and off a few times, half a minute each: the clamp is proven within five minutes.',
    ],
    caution: PANEL_CAUTION,
    homeowner: null,
  }),
});
