// A battery feeds the house while power is cheapest: it empties itself for nothing, and pays the losses twice.
// Easily confused with: an outage, the last minutes of feeding over a change of price, and control error
// around nothing.

import { z } from 'zod';
import { ABSENT, defineDetector, type Verdict } from '../detector.ts';
import { batteriesUnderTariff, type LedgerPage, lastEnded } from '../models/tariff-ledger.ts';
import type { SiteView } from '../site-view.ts';
import { clockText, rounded } from '../wording.ts';

const PERIOD = 'super-off-peak';

export const tariffDischargeInSuperOffPeak = defineDetector({
  kind: 'tariff-discharge-in-super-off-peak',
  thresholds: {
    energyWh: {
      default: 100,
      unit: 'Wh',
      min: 10,
      max: 10_000,
      source: 'common practice: four minutes at 1500 W, more than a switch that lags',
    },
  },
  wants: ['battery'],
  readingsOf: (device) => [device],
  delays: () => ({ onDelayMs: 0, offDelayMs: 0 }),
  subjects: batteriesUnderTariff,
  state: z.null(),
  start: () => null,
  observe(event, { subject, view, values }): Verdict | undefined {
    if (event.kind !== 'battery') return undefined;
    const page = view.tariffLedger.pages[subject];
    if (page === undefined) return undefined;
    const fedWh = page.count.negativeWh;
    if (page.period !== PERIOD || fedWh <= values.energyWh) {
      const ended = lastEnded(page, PERIOD);
      return ended !== undefined && ended.fedWh <= values.energyWh ? ABSENT : undefined;
    }
    return present(subject, page, event.at, values.energyWh, view);
  },
  words: ({ site, subject, facts }) => ({
    headline: `${subject} fed ${facts['fedWh']} Wh to the house in the super off-peak period that began ${clockText(Number(facts['startMs']), site.timeZone)}.`,
    explanation:
      'Power was cheapest and the grid was there, so what it fed must be charged again at no better price, with the losses on top.',
    steps: [
      "Compare the unit's discharging schedule with the site's tariff, season and weekend included.",
      "See whether the unit's clock and time zone are right.",
      'Keep it from feeding in the super off-peak period.',
    ],
    caution: null,
    homeowner: null,
  }),
});

function present(
  subject: string,
  { count: { negativeWh: fedWh }, feedSinceMs, startMs }: LedgerPage,
  at: number,
  allowedWh: number,
  { site }: SiteView,
): Verdict {
  return {
    is: 'present',
    sinceMs: feedSinceMs ?? startMs,
    confidence: 1,
    facts: { fedWh: rounded(fedWh), startMs },
    evidence: () => ({
      fromMs: startMs - 3_600_000,
      toMs: at,
      series: [`${subject} ac.p`, `${subject} soc`],
      figures: [
        { label: 'Fed in this period', value: rounded(fedWh), unit: 'Wh', source: `${subject} ac.p` },
        { label: 'Allowed', value: allowedWh, unit: 'Wh', source: 'threshold: common practice' },
        {
          label: 'Super off-peak began',
          value: clockText(startMs, site.timeZone),
          unit: '',
          source: 'tariff',
        },
      ],
    }),
  };
}
