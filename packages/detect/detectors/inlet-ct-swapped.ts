// The clamps of the two inlets sit on each other's conductors: each channel shows the other battery.
// Easily confused with: two batteries that always do the same (nothing tells them apart, so nothing is said),
// and a battery plugged into the other inlet than it is registered for: to the readings it is the same, so the
// steps begin with that.
// Decided by the posterior of models/wiring.ts; bounds after Wald 1945.

import { defineDetector, type Verdict } from '../detector.ts';
import { swappedLogOdds } from '../models/wiring/clamp-pair.ts';
import {
  batterySeries,
  NO_DELAYS,
  startStateless,
  statelessSchema,
  verdictOf,
} from '../models/wiring/verdict.ts';
import { PANEL_CAUTION } from '../wording.ts';

export const inletCtSwapped = defineDetector({
  kind: 'inlet-ct-swapped',
  thresholds: {},
  wants: ['meter', 'battery'],
  onWiringNews: true,
  delays: () => NO_DELAYS,
  subjects: (site) => (site.inlets.length === 2 ? ['inlets'] : []),
  state: statelessSchema,
  start: startStateless,
  observe(event, { view }): Verdict | undefined {
    const { site, wiring } = view;
    if (!wiring.inlets.isNews) return undefined;
    return verdictOf({
      logOdds: swappedLogOdds(wiring.inlets),
      pair: wiring.inlets,
      channels: [0, 1],
      at: event.at,
      facts: {},
      series: [`${site.meter.device} inlet1.p`, `${site.meter.device} inlet2.p`, ...batterySeries(site)],
    });
  },
  words: () => ({
    headline: 'The CTs of inlet 1 and inlet 2 are exchanged, or the batteries are.',
    explanation:
      'What the battery of one inlet draws appears on the channel of the other. Caps and energy are counted against the wrong inlet.',
    steps: [
      'See whether each battery is plugged into the inlet it is registered for; if not, correct the registration or the plugs.',
      'If they are, have the two inlet clamps exchanged, each onto the conductor of its own inlet, with its arrow facing the breaker.',
      'Then let one battery charge alone for three minutes: only its own inlet must show it.',
    ],
    caution: PANEL_CAUTION,
    homeowner: null,
  }),
});
