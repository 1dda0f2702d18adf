// In an outage: when the battery will be down to its reserve, and when it will be empty, told two hours ahead.
// The load to come is what the last half hour took, giving way hour by hour to what the house usually takes at
// that hour of the week: nobody lives in an outage as on other days, but the night still comes.
// What the unit's own outlets take may not go through its port: where the gauge falls faster than the port explains,
// the gauge is right.
// Easily confused with: an interruption of a minute, a battery that stands above its reserve by hours, and one
// that is at its reserve already (reserve-low tells that).

import { usableWh } from '@afterwatt/electrical';
import type { SiteBattery } from '@afterwatt/wire';
import { z } from 'zod';
import { batteryOf, HORIZON_MS, lastsMs, presentDrainW, usualDrainW } from '../backup-time.ts';
import { ABSENT, defineDetector, type Verdict } from '../detector.ts';
import type { SiteView } from '../site-view.ts';
import { clockText, rounded, spanText } from '../wording.ts';

const MINUTE_MS = 60_000;
const HOUR_MS = 60 * MINUTE_MS;
/** Time constant of the recent load; it is a plain mean until an outage has lasted so long. */
const RECENT_MS = 30 * MINUTE_MS;
/** A forecast on less of the outage than this would be one on its first minute's load ... */
const KNOWN_MS = 2 * MINUTE_MS;
/**
 * ... unless there is no more time than this. Up to a minute it may still be a breaker that closes again by itself
 * (IEEE 1159-2009, table 2: momentary and temporary interruptions); what runs down within it is told by reserve-low.
 */
const PRESSING_MS = 5 * MINUTE_MS;
const PRESSING_KNOWN_MS = MINUTE_MS;
/** After so long ahead the usual load counts for half (own judgement). */
const HALF_RECENT_MS = 4 * HOUR_MS;
/** The gauge tells a drain once it has fallen by this since the outage began, or since it was last asked; its steps
 * are up to a point. It is believed where it tells so many times what the port explains. */
const GAUGE_FALLS_PCT = 3;
const GAUGE_STEP_PCT = 1;
const GAUGE_BELIEVED = 1.5;
/** The forecast is made anew this often; in between it only comes closer. */
const EVERY_MS = MINUTE_MS;

const schema = z.object({
  /** When the battery was first heard in this outage; null outside one. */
  sinceMs: z.number().nullable(),
  lastMs: z.number(),
  /** Mean of what was taken from the cells, W. */
  recentW: z.number(),
  forecastMs: z.number(),
  /** Where the gauge stood, and what it has shown to be taken since then, W; 0 before it has. */
  gaugePct: z.number(),
  gaugeMs: z.number(),
  gaugeW: z.number(),
});
type State = z.infer<typeof schema>;

export const reserveForecast = defineDetector({
  kind: 'reserve-forecast',
  thresholds: {
    leadMin: { default: 120, unit: 'min', min: 10, max: 1440, source: 'common practice: time to act on it' },
    deadbandMin: { default: 30, unit: 'min', min: 0, max: 240, source: 'a quarter of the lead' },
  },
  wants: ['battery'],
  readingsOf: (device) => [device],
  delays: () => ({ onDelayMs: 0, offDelayMs: 5 * MINUTE_MS }),
  subjects: (site) => site.batteries.map((battery) => battery.device),
  state: schema,
  start: () => ({ sinceMs: null, lastMs: 0, recentW: 0, forecastMs: 0, gaugePct: 0, gaugeMs: 0, gaugeW: 0 }),
  observe(event, { subject, state, view, values }): Verdict | undefined {
    if (event.kind !== 'battery') return undefined;
    // The battery's own word counts where it has one: another unit may be cut off by itself.
    const gridPresent = event.gridPresent ?? view.grid.present;
    if (gridPresent !== false) {
      if (gridPresent === true) state.sinceMs = null;
      return gridPresent === true ? ABSENT : undefined;
    }
    const { at, socPct } = event;
    const drainW = presentDrainW(event);
    if (socPct === null || drainW === null) return { is: 'unknown', why: 'no power or no state of charge' };
    const stepMs = at - state.lastMs;
    if (state.sinceMs === null) {
      state.sinceMs = at;
      state.recentW = drainW;
      state.forecastMs = 0;
      state.gaugePct = socPct;
      state.gaugeMs = at;
      state.gaugeW = 0;
    } else if (stepMs > 0) {
      const overMs = Math.max(stepMs, Math.min(at - state.sinceMs, RECENT_MS));
      state.recentW += (drainW - state.recentW) * (stepMs / overMs);
    }
    state.lastMs = at;
    const knownMs = at - state.sinceMs;
    if (knownMs < PRESSING_KNOWN_MS || at - state.forecastMs < EVERY_MS) return undefined;

    const battery = batteryOf(view.site, subject);
    const gaugeW = gaugeDrainW(state, socPct, at, battery.capacityWh);
    if (socPct <= battery.reservePct) return { is: 'unknown', why: 'the reserve is reached' };
    const byGauge = gaugeW > GAUGE_BELIEVED * state.recentW;
    const presentW = byGauge ? gaugeW : state.recentW;
    const load = loadToCome(presentW, battery, view, at);
    const reserveMs = lastsMs(usableWh(battery.capacityWh, socPct, battery.reservePct), at, load);
    if (knownMs < KNOWN_MS && reserveMs > PRESSING_MS) return undefined;
    state.forecastMs = at;
    const leadMs = values.leadMin * MINUTE_MS;
    if (reserveMs > leadMs + values.deadbandMin * MINUTE_MS) return ABSENT;
    if (reserveMs > leadMs) return { is: 'unknown', why: 'within the deadband of the lead' };

    const emptyMs = lastsMs(usableWh(battery.capacityWh, socPct, 0), at, load);
    const { sinceMs } = state;
    const usualW = usualDrainW(view, battery, at);
    return {
      is: 'present',
      sinceMs: at,
      confidence: 1,
      facts: {
        socPct: rounded(socPct, 1),
        reservePct: battery.reservePct,
        reserveAtMs: at + reserveMs,
        emptyAtMs: at + emptyMs,
        beyondHorizon: emptyMs >= HORIZON_MS,
      },
      evidence: () => ({
        fromMs: sinceMs - 30 * MINUTE_MS,
        toMs: at,
        series: [`${subject} soc`, `${subject} ac.p`],
        figures: [
          { label: 'State of charge', value: rounded(socPct, 1), unit: '%', source: `${subject} soc` },
          { label: 'Reserve', value: battery.reservePct, unit: '%', source: 'site registration' },
          { label: 'Reserve reached in', value: spanText(reserveMs), unit: '', source: 'forecast' },
          { label: 'Empty in', value: spanText(emptyMs), unit: '', source: 'forecast' },
          {
            label: 'Taken from the cells of late',
            value: rounded(presentW),
            unit: 'W',
            source: byGauge ? `${subject} soc` : `${subject} ac.p with losses`,
          },
          {
            label: 'Usual at this hour of the week',
            value: roundedOrUnknown(usualW),
            unit: 'W',
            source: 'median of the last four weeks',
          },
        ],
      }),
    };
  },
  words: ({ site, subject, facts }) => {
    const reserveAt = clockText(Number(facts['reserveAtMs']), site.timeZone);
    const emptyAt = clockText(Number(facts['emptyAtMs']), site.timeZone);
    const empty = facts['beyondHorizon'] === true ? 'not within three days' : `about ${emptyAt}`;
    return {
      headline: `${subject} reaches its reserve of ${facts['reservePct']} % about ${reserveAt} if the outage lasts.`,
      explanation: `The grid is away and the battery stands at ${facts['socPct']} %. As the load goes, it is at its reserve about ${reserveAt} and empty ${empty}.`,
      steps: [
        'Nothing to mend: the battery does what it is there for.',
        'Ask the utility how long the outage is expected to last, and tell the homeowner what can be turned off.',
      ],
      caution: null,
      homeowner: `The grid is away: your battery is down to its reserve about ${reserveAt} and empty ${empty}. Turn off what you can do without.`,
    };
  },
});

/** What the gauge shows to be taken, W: by its last fall that was wide enough, and no more than since then. */
function gaugeDrainW(state: State, socPct: number, at: number, capacityWh: number): number {
  const fallenPct = state.gaugePct - socPct;
  const drainW = (pct: number) => ((pct / 100) * capacityWh * HOUR_MS) / (at - state.gaugeMs);
  const mostW = drainW(fallenPct + GAUGE_STEP_PCT);
  if (fallenPct < GAUGE_FALLS_PCT) return Math.min(mostW, state.gaugeW);
  state.gaugeW = rounded(drainW(fallenPct));
  state.gaugePct = socPct;
  state.gaugeMs = at;
  return state.gaugeW;
}

/** What will be taken from the cells: the recent load, giving way to the usual one where that is known. */
function loadToCome(
  recentW: number,
  battery: SiteBattery,
  view: SiteView,
  fromMs: number,
): (atMs: number) => number {
  return (atMs) => {
    const usualW = usualDrainW(view, battery, atMs);
    if (usualW === null) return recentW;
    const recentShare = 0.5 ** ((atMs - fromMs) / HALF_RECENT_MS);
    return recentShare * recentW + (1 - recentShare) * usualW;
  };
}

function roundedOrUnknown(value: number | null): number | string {
  return value === null ? 'not known yet' : rounded(value);
}
