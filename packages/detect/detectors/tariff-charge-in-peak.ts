// A battery charges from the grid while it costs most, and neither a storm nor its reserve asks for it.
// Easily confused with: storm preparation, the way back up to the reserve after an outage, charging from one's
// own generation, the standby draw of the unit, and the last minutes of a charge over a change of price.

import { z } from 'zod';
import { ABSENT, defineDetector, type Verdict } from '../detector.ts';
import { batteriesUnderTariff, type LedgerPage, lastEnded } from '../models/tariff-ledger.ts';
import type { SiteView } from '../site-view.ts';
import { clockText, rounded } from '../wording.ts';

export const tariffChargeInPeak = defineDetector({
  kind: 'tariff-charge-in-peak',
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
    const chargedWh = page.count.positiveWh;
    if (page.period !== 'peak' || chargedWh <= values.energyWh) {
      const ended = lastEnded(page, 'peak');
      return ended !== undefined && ended.chargedWh <= values.energyWh ? ABSENT : undefined;
    }
    return present(subject, page, event.at, values.energyWh, view);
  },
  words: ({ site, subject, facts }) => ({
    headline: `${subject} charged ${facts['chargedWh']} Wh from the grid in the peak period that began ${clockText(Number(facts['startMs']), site.timeZone)}.`,
    explanation:
      'No storm was coming and its reserve was kept, so its schedule charges it when power is dearest.',
    steps: [
      "Compare the unit's charging schedule with the site's tariff, season and weekend included.",
      "See whether the unit's clock and time zone are right.",
      'Move the charging to the cheapest period.',
    ],
    caution: null,
    homeowner: null,
  }),
});

function present(
  subject: string,
  { count: { positiveWh: chargedWh }, chargeSinceMs, startMs, endMs }: LedgerPage,
  at: number,
  allowedWh: number,
  { calendar, site }: SiteView,
): Verdict {
  const sinceMs = chargeSinceMs ?? startMs;
  const cost = costText(chargedWh, calendar?.periodAt(at).rate ?? 0, site.tariff?.currency ?? '');
  return {
    is: 'present',
    sinceMs,
    confidence: 1,
    facts: { chargedWh: rounded(chargedWh), startMs, endMs },
    evidence: () => ({
      fromMs: startMs - 3_600_000,
      toMs: at,
      series: [`${subject} ac.p`, `${subject} soc`],
      figures: [
        { label: 'Charged in this peak', value: rounded(chargedWh), unit: 'Wh', source: `${subject} ac.p` },
        { label: 'Allowed', value: allowedWh, unit: 'Wh', source: 'threshold: common practice' },
        { label: 'Peak began', value: clockText(startMs, site.timeZone), unit: '', source: 'tariff' },
        { label: 'It cost', value: cost, unit: '', source: 'tariff rate' },
      ],
    }),
  };
}

function costText(energyWh: number, ratePerKwh: number, currency: string): string {
  return `${((energyWh / 1000) * ratePerKwh).toFixed(2)} ${currency}`;
}
