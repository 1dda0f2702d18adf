// The state of charge lies below the reserve that the owner asked to be kept for an outage.
// Easily confused with: a battery on its way back up after an outage (recharging is no fault, and one that has
// come back to its reserve and holds it there is mended), and an outage itself (the reserve is there to be
// used: told at once, as expected use, with the time left).
// Thresholds: deadband 2 points, ISA-18.2's starting deadband for level (2 to 5 % of range).

import { usableWh } from '@afterwatt/electrical';
import type { BatteryReading, SiteBattery } from '@afterwatt/wire';
import { z } from 'zod';
import { batteryOf, HORIZON_MS, lastsMs, presentDrainW, usualDrainW } from '../backup-time.ts';
import { ABSENT, defineDetector, type Facts, type Figure, type Verdict, type Words } from '../detector.ts';
import type { SiteView } from '../site-view.ts';
import { rounded, spanText } from '../wording.ts';

const MINUTE_MS = 60_000;
/** Held at or above its reserve for so long, a battery is back, though it be less than the deadband above it. */
const HELD_MS = 60 * MINUTE_MS;

const schema = z.object({
  /** Since when it stands below the reserve, or within the deadband above it; null while it does not. */
  belowSinceMs: z.number().nullable(),
  /** Since when it has neither charged nor been in an outage. */
  idleSinceMs: z.number().nullable(),
  /** Since when it is back at its reserve, within the deadband. */
  heldSinceMs: z.number().nullable(),
  lowestPct: z.number(),
});

const UNKNOWN: Verdict = { is: 'unknown', why: 'recharging, or between the reserve and its deadband' };

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
  readingsOf: (device) => [device],
  delays: (values) => ({ onDelayMs: values.onDelayMin * MINUTE_MS, offDelayMs: MINUTE_MS }),
  subjects: (site) => site.batteries.map((battery) => battery.device),
  state: schema,
  start: () => ({ belowSinceMs: null, idleSinceMs: null, heldSinceMs: null, lowestPct: 100 }),
  observe(event, { subject, state, view, values }): Verdict | undefined {
    if (event.kind !== 'battery') return undefined;
    const { socPct, acW, at } = event;
    if (socPct === null) return { is: 'unknown', why: 'no state of charge' };
    const battery = batteryOf(view.site, subject);
    const { reservePct } = battery;

    if (socPct >= reservePct + values.deadbandPct) return absent(state);
    if (socPct > reservePct - values.belowPct) {
      if (state.belowSinceMs === null) return ABSENT;
      if (socPct < reservePct) return UNKNOWN;
      state.heldSinceMs ??= at;
      return at - state.heldSinceMs >= HELD_MS ? absent(state) : UNKNOWN;
    }
    state.belowSinceMs ??= at;
    state.heldSinceMs = null;
    state.lowestPct = Math.min(state.lowestPct, socPct);

    const outage = view.grid.present === false;
    if (!outage && acW !== null && acW >= values.rechargingW) {
      state.idleSinceMs = null;
      return UNKNOWN;
    }
    if (!outage) state.idleSinceMs ??= at;
    const sinceMs = state.idleSinceMs ?? state.belowSinceMs;
    const { lowestPct } = state;
    const timeLeft = outage ? timeLeftFigures(event, battery, view) : [];
    return {
      is: 'present',
      sinceMs,
      confidence: 1,
      atOnce: outage,
      facts: { socPct: rounded(socPct, 1), reservePct, outage, leftMs: outage ? leftMs(event, battery) : 0 },
      evidence: () => ({
        fromMs: sinceMs - 60 * MINUTE_MS,
        toMs: at,
        series: [`${subject} soc`, `${subject} ac.p`],
        figures: [
          { label: 'State of charge', value: rounded(socPct, 1), unit: '%', source: `${subject} soc` },
          { label: 'Lowest', value: rounded(lowestPct, 1), unit: '%', source: `${subject} soc` },
          { label: 'Reserve asked for', value: reservePct, unit: '%', source: 'site registration' },
          { label: 'Power at the AC port', value: acW ?? 'not known', unit: 'W', source: `${subject} ac.p` },
          ...timeLeft,
        ],
      }),
    };
  },
  words: ({ subject, facts }) =>
    facts['outage'] === true ? inOutage(subject, facts) : onGrid(subject, facts),
});

function absent(state: z.infer<typeof schema>): Verdict {
  state.belowSinceMs = null;
  state.idleSinceMs = null;
  state.heldSinceMs = null;
  state.lowestPct = 100;
  return ABSENT;
}

/** Until the battery is empty at the present load; HORIZON_MS or more when next to nothing is drawn. */
function leftMs(reading: BatteryReading, battery: SiteBattery): number {
  const drainW = presentDrainW(reading) ?? 0;
  const energyWh = usableWh(battery.capacityWh, reading.socPct ?? 0, 0);
  return drainW === 0 ? HORIZON_MS : Math.min(HORIZON_MS, (energyWh / drainW) * 60 * MINUTE_MS);
}

function timeLeftFigures(reading: BatteryReading, battery: SiteBattery, view: SiteView): Figure[] {
  const energyWh = usableWh(battery.capacityWh, reading.socPct ?? 0, 0);
  const usualMs =
    usualDrainW(view, battery, reading.at) === null
      ? null
      : lastsMs(energyWh, reading.at, (atMs) => usualDrainW(view, battery, atMs) ?? 0);
  return [
    {
      label: 'Lasts at the present load',
      value: spanText(leftMs(reading, battery)),
      unit: '',
      source: `${battery.device} soc, ac.p`,
    },
    {
      label: 'Lasts at the usual load',
      value: usualMs === null ? 'not known yet' : spanText(usualMs),
      unit: '',
      source: "median of the last four weeks' load by hour of the week",
    },
  ];
}

function inOutage(subject: string, facts: Facts): Words {
  const left = Number(facts['leftMs']);
  const lasts = left >= HORIZON_MS ? 'more than three days' : `about ${spanText(left)}`;
  return {
    headline: `${subject} is carrying the house through an outage and has fallen to ${facts['socPct']} %, below its reserve of ${facts['reservePct']} %.`,
    explanation: `The grid is away and the battery is doing what it is there for: the reserve is being used up. At the present load it lasts ${lasts}.`,
    steps: [
      'Nothing to mend: this is what the reserve is for.',
      'Call the homeowner if the outage is expected to last longer than that.',
    ],
    caution: null,
    homeowner: `The grid is away and your battery is at ${facts['socPct']} %: it lasts ${lasts} if you go on like this, so use only what you need.`,
  };
}

function onGrid(subject: string, facts: Facts): Words {
  return {
    headline: `${subject} holds ${facts['socPct']} %, below the reserve of ${facts['reservePct']} %, while the grid is there.`,
    explanation:
      'The grid is present and the battery neither recharges nor stands at its reserve: its schedule or its own reserve setting lets it drain, or it does not take charge.',
    steps: [
      "Compare the unit's own reserve setting with the site's.",
      'See whether a schedule discharges it below the reserve.',
      'Set it to charge and watch that the state of charge rises.',
      'If it does not charge, see whether the inlet circuit is on and the unit reports a fault.',
    ],
    caution: null,
    homeowner: `Your battery is below the reserve you asked for (${facts['socPct']} % of ${facts['reservePct']} %) and would not last as long in an outage; your installer has been told.`,
  };
}
