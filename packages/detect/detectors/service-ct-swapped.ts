// The two service clamps sit on each other's legs. A channel then multiplies its own leg's voltage with the
// other leg's current, 180 degrees away: it shows the other leg's power with the sign turned. With both arrows
// turned as well the total comes out right and no sum tells: only a step on one leg finds it.
// Easily confused with: both arrows turned in place (a battery's step tells on which channel it appears), and
// batteries on both legs that switch together by the same amount (which tells nothing).
// Decided by the posterior of models/wiring.ts; bounds after Wald 1945.

import { defineDetector, type Verdict } from '../detector.ts';
import { likeliest, swappedLogOdds } from '../models/wiring/clamp-pair.ts';
import {
  batterySeries,
  NO_DELAYS,
  startStateless,
  statelessSchema,
  verdictOf,
} from '../models/wiring/verdict.ts';
import { PANEL_CAUTION } from '../wording.ts';

export const serviceCtSwapped = defineDetector({
  kind: 'service-ct-swapped',
  thresholds: {},
  wants: ['meter', 'battery'],
  onWiringNews: true,
  delays: () => NO_DELAYS,
  subjects: () => ['service'],
  state: statelessSchema,
  start: startStateless,
  observe(event, { view }): Verdict | undefined {
    const { site, wiring } = view;
    if (!wiring.service.isNews) return undefined;
    const { clamps } = likeliest(wiring.service);
    const turned = clamps.filter((clamp) => clamp === 'reversed').length;
    return verdictOf({
      logOdds: swappedLogOdds(wiring.service),
      pair: wiring.service,
      channels: [0, 1],
      at: event.at,
      facts: { bothTurned: turned === 2, oneTurned: turned === 1 },
      series: [`${site.meter.device} l1.p`, `${site.meter.device} l2.p`, ...batterySeries(site)],
    });
  },
  words: ({ facts }) => ({
    headline:
      facts['bothTurned'] === true
        ? "The service CTs sit on each other's legs, with both arrows turned: the total is right, each leg is wrong."
        : "The service CTs sit on each other's legs.",
    explanation:
      facts['bothTurned'] === true
        ? 'A battery step on one leg appears on the other channel. Because both arrows are turned too, import and export come out right in total, and no sum shows it.'
        : "A battery step on one leg appears on the other channel, with its sign turned: each channel multiplies its own voltage with the other leg's current.",
    steps: [
      'Have the L1 and L2 service clamps exchanged, each onto the leg that its channel takes its voltage from.',
      'See that both arrows face the grid when they are closed again.',
      'Then switch the battery on and off a few times, half a minute each: both clamps are proven within five minutes.',
    ],
    caution: PANEL_CAUTION,
    homeowner: null,
  }),
});
