// A battery gives away more of its charge in one off-peak period than the site allows: it will be missing in the
// peak, or in an outage.
// Easily confused with: an outage, feeding in the peak that runs on for some minutes, and shallow use that the
// site allows (offPeakDepthPct).

import { z } from 'zod';
import { batteryOf } from '../backup-time.ts';
import { ABSENT, defineDetector, type Verdict } from '../detector.ts';
import { batteriesUnderTariff, type LedgerPage, lastEnded } from '../models/tariff-ledger.ts';
import type { SiteView } from '../site-view.ts';
import { clockText, rounded } from '../wording.ts';

const PERIOD = 'off-peak';

export const tariffOffPeakDepth = defineDetector({
  kind: 'tariff-off-peak-depth',
  thresholds: {
    marginPct: {
      default: 1,
      unit: '%',
      min: 0,
      max: 20,
      source: 'common practice: the accuracy of a power reading over a day',
    },
  },
  wants: ['battery'],
  readingsOf: (device) => [device],
  delays: () => ({ onDelayMs: 0, offDelayMs: 0 }),
  subjects: batteriesUnderTariff,
  about: (subject, site) => ({
    capacityWh: batteryOf(site, subject).capacityWh,
    allowedPct: site.tariff?.offPeakDepthPct ?? 0,
  }),
  state: z.null(),
  start: () => null,
  observe(event, { subject, about, view, values }): Verdict | undefined {
    if (event.kind !== 'battery' || about === undefined) return undefined;
    const page = view.tariffLedger.pages[subject];
    if (page === undefined) return undefined;
    const allowedWh = (about.capacityWh * (about.allowedPct + values.marginPct)) / 100;
    const fedWh = page.count.negativeWh;
    if (page.period !== PERIOD || fedWh <= allowedWh) {
      const ended = lastEnded(page, PERIOD);
      return ended !== undefined && ended.fedWh <= allowedWh ? ABSENT : undefined;
    }
    return present(subject, page, event.at, about, view);
  },
  words: ({ site, subject, facts }) => ({
    headline: `${subject} fed ${facts['depthPct']} % of its capacity in the off-peak period that began ${clockText(Number(facts['startMs']), site.timeZone)}; ${facts['allowedPct']} % is allowed.`,
    explanation:
      'What it gives away off-peak is missing in the peak and in an outage, and is charged again at nearly the same price.',
    steps: [
      "Compare the unit's discharging schedule with the site's tariff, season and weekend included.",
      "See whether the unit's clock and time zone are right.",
      'If the homeowner wants it so, allow a greater depth in the registration.',
    ],
    caution: null,
    homeowner: null,
  }),
});

function present(
  subject: string,
  { count: { negativeWh: fedWh }, feedSinceMs, startMs }: LedgerPage,
  at: number,
  { capacityWh, allowedPct }: { readonly capacityWh: number; readonly allowedPct: number },
  { site }: SiteView,
): Verdict {
  const depthPct = rounded((100 * fedWh) / capacityWh);
  return {
    is: 'present',
    sinceMs: feedSinceMs ?? startMs,
    confidence: 1,
    facts: { depthPct, allowedPct, startMs },
    evidence: () => ({
      fromMs: startMs - 3_600_000,
      toMs: at,
      series: [`${subject} ac.p`, `${subject} soc`],
      figures: [
        {
          label: 'Fed in this off-peak period',
          value: rounded(fedWh),
          unit: 'Wh',
          source: `${subject} ac.p`,
        },
        { label: 'Share of capacity', value: depthPct, unit: '%', source: 'site registration: capacity' },
        {
          label: 'Allowed',
          value: allowedPct,
          unit: '%',
          source: 'site registration: offPeakDepthPct',
        },
        {
          label: 'Off-peak began',
          value: clockText(startMs, site.timeZone),
          unit: '',
          source: 'tariff',
        },
      ],
    }),
  };
}
