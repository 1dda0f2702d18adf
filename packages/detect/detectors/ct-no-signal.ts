// A clamp shows nothing where something must flow: not closed, its lead cut or unplugged, or its channel broken.
// Easily confused with: a leg or an inlet on which nothing runs (no reading of 0 is evidence by itself: only a
// battery's step, a load that the voltages answer to, or a leg that always carried something until now), an
// outage (both legs show 0), a battery plugged in elsewhere.
// Decided by the posterior of models/wiring.ts; bounds after Wald 1945.

import type { Site } from '@afterwatt/wire';
import { defineDetector, type Verdict } from '../detector.ts';
import { stateLogOdds } from '../models/wiring/clamp-pair.ts';
import {
  batterySeries,
  NO_DELAYS,
  startStateless,
  statelessSchema,
  verdictOf,
} from '../models/wiring/verdict.ts';
import { clampOf, clampSubjects, pairOf } from '../models/wiring-report.ts';
import { PANEL_CAUTION } from '../wording.ts';

export const ctNoSignal = defineDetector({
  kind: 'ct-no-signal',
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
    return verdictOf({
      logOdds: stateLogOdds(pair, channel, 'dead'),
      pair,
      channels: [channel],
      at: event.at,
      facts: {},
      series: [`${view.site.meter.device} ${quantity}`, ...batterySeries(view.site)],
    });
  },
  words: ({ site, subject }) => ({
    headline: `The CT of ${subject} shows nothing although current flows there.`,
    explanation: `${evidenceText(site, subject)} The clamp's channel stays at zero.`,
    steps: [
      `Have the clamp of ${subject} looked at: closed until it clicks, around the whole conductor and no other.`,
      'See that its lead is plugged into the right place at the meter, and undamaged.',
      'If both are right, exchange it with one that works: if the fault stays with the channel, the meter needs replacing.',
    ],
    caution: PANEL_CAUTION,
    homeowner: null,
  }),
});

function evidenceText(site: Site, subject: string): string {
  const inlet = site.inlets.some(({ number }) => subject === `inlet ${number}`);
  return inlet
    ? 'The battery of this inlet charges or discharges.'
    : 'Battery steps, the leg voltages or what the leg used to carry say that current flows.';
}
