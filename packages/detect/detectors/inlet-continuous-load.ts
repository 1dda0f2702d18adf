// An inlet circuit carries 80 % of its breaker's rating or more for three hours. NEC article 100 calls that a
// continuous load, and 210.20(A) asks for a breaker of 125 % of it: 12 A, or 1440 W, on 15 A. Wire, breaker and
// plug stay within their ratings but never cool down, which is what ages their contacts.
// Told early, too, when a storm preparation is charging at that rate and will go on for three hours in all.
// Easily confused with: a long charge just below, so the mean of the whole stretch counts, not its peaks; and
// a charge that pauses for a moment, which cools nothing: dips of up to five minutes are part of it (about the
// time in which the first-order model of a 15 A breaker, 197 s by UL 489's points, sheds most of its heat).
// Both witnesses are heard, as for inlet-over-cap; a clamp known to be of another ratio is not.

import { CONTINUOUS_LOAD_S, continuousLimitA, continuousLimitW } from '@afterwatt/electrical';
import { planCharge } from '@afterwatt/storm';
import type { Site, SiteInlet } from '@afterwatt/wire';
import { z } from 'zod';
import { ABSENT, defineDetector, type Facts, type Verdict, type Words } from '../detector.ts';
import type { SiteEvent } from '../event.ts';
import { GAP_PERIODS } from '../hold.ts';
import {
  type CircuitLoad,
  circuitDevices,
  emptyCircuitLoad,
  inletNamed,
  inletSubject,
  isFirstOfBreaker,
  isFresh,
  legVolts,
  measureBatteries,
  measureCircuit,
  shareBreaker,
} from '../models/inlet-load.ts';
import { stateLogOdds } from '../models/wiring/clamp-pair.ts';
import type { SiteView } from '../site-view.ts';
import { rounded, spanText } from '../wording.ts';

const MINUTE_MS = 60_000;
const HOUR_MS = 60 * MINUTE_MS;
/** So much of a stretch has to be known by readings. */
const LEAST_COVER = 0.9;
/** A reading speaks for so long, though its device is registered as faster. */
const LONGEST_SPAN_MS = MINUTE_MS;
/** A plan is believed once the charge has stood at its rate for so long. */
const PLAN_PROVEN_MS = 10 * MINUTE_MS;
/** Constant power ends about here (see @afterwatt/storm). */
const FULL_POWER_PCT = 90;

const stretchSchema = z.object({
  /** Device time of the newest reading; 0 before the first. */
  at: z.number(),
  /** Device time of the first reading of the stretch; 0 outside one. */
  sinceMs: z.number(),
  /** Time below the limit since the last reading at it. */
  dipMs: z.number(),
  /** Time known by readings, and the sum of the load over it as a share of the limit. */
  coveredMs: z.number(),
  ratioMs: z.number(),
  ampsMs: z.number(),
});
type Stretch = z.infer<typeof stretchSchema>;

const stateSchema = z.object({
  meter: stretchSchema,
  batteries: stretchSchema,
  told: z.boolean(),
});
type State = z.infer<typeof stateSchema>;

export const inletContinuousLoad = defineDetector({
  kind: 'inlet-continuous-load',
  thresholds: {
    continuousHours: {
      default: CONTINUOUS_LOAD_S / 3600,
      unit: 'h',
      min: 0.1,
      max: 24,
      source: 'NEC article 100: continuous load',
    },
    dipMinutes: {
      default: 5,
      unit: 'min',
      min: 0,
      max: 60,
      source: 'own judgement: time in which a breaker sheds most of its heat',
    },
  },
  wants: ['meter', 'battery'],
  delays: () => ({ onDelayMs: 0, offDelayMs: 10 * MINUTE_MS }),
  readingsOf: circuitDevices,
  subjects: (site) => site.inlets.map((inlet) => inletSubject(inlet.number)),
  about: aboutCircuit,
  state: stateSchema,
  start: () => ({ meter: startStretch(), batteries: startStretch(), told: false }),
  observe(event, { about, state, view, values }): Verdict | undefined {
    if (about === undefined) return undefined;
    const { inlet, addsUp } = about;
    // In an outage a battery feeds its own outlets: only the channel says what the inlet carries.
    if (event.kind === 'battery' && view.grid.present === false) return undefined;
    const wholeBreaker = addsUp && !anotherIsOver(inlet, event, view);
    if (!measureCircuit(inlet, wholeBreaker, event, view, load)) return undefined;
    const stretch = event.kind === 'meter' ? state.meter : state.batteries;
    takeReading(stretch, event.at, load, ratioOf(load, inlet, view), values.dipMinutes * MINUTE_MS);

    const longest = longestOf(state);
    if (longest === null) {
      state.told = false;
      return ABSENT;
    }
    const lastsMs = event.at - longest.sinceMs;
    const wantedMs = values.continuousHours * HOUR_MS;
    // Planned hours cost more to know than the passing of time: look only while charging for a storm.
    const comesMs =
      view.storm.open !== null && lastsMs >= PLAN_PROVEN_MS && lastsMs < wantedMs
        ? plannedMs(inlet, view)
        : 0;
    if (lastsMs + comesMs >= wantedMs && !state.told) {
      state.told = longest === state.batteries || !isOfOtherRatio(inlet, view);
    }
    return state.told ? present(longest, inlet, comesMs, event.at, view) : undefined;
  },
  words: ({ subject, facts }) => words(subject, facts),
});

/** The inlet, and whether what adds up on its breaker is told of it. */
function aboutCircuit(subject: string, site: Site) {
  const inlet = inletNamed(site, subject);
  return inlet && { inlet, addsUp: isFirstOfBreaker(inlet, site) };
}

/** The word of the event at hand; used up before the next is measured. */
const load = emptyCircuitLoad();

/** An inlet that is over by itself is told by itself: then the sum on the breaker is no second fault. */
function anotherIsOver(inlet: SiteInlet, event: SiteEvent, view: SiteView): boolean {
  for (const other of view.site.inlets) {
    if (other === inlet || !shareBreaker(inlet, other)) continue;
    if (measureOther(other, event, view) && ratioOf(load, other, view) >= 1) return true;
  }
  return false;
}

function measureOther(other: SiteInlet, event: SiteEvent, view: SiteView): boolean {
  return event.kind === 'meter'
    ? measureCircuit(other, false, event, view, load)
    : measureBatteries(other, view, load);
}

/** The load as a share of what the breaker may carry for hours. */
function ratioOf({ amps, watts }: CircuitLoad, { breakerAmps }: SiteInlet, { site }: SiteView): number {
  return Math.max(
    Math.abs(amps) / continuousLimitA(breakerAmps),
    Math.abs(watts) / continuousLimitW(breakerAmps, site.service.nominalVolts),
  );
}

function startStretch(): Stretch {
  return { at: 0, sinceMs: 0, dipMs: 0, coveredMs: 0, ratioMs: 0, ampsMs: 0 };
}

function takeReading(stretch: Stretch, atMs: number, load: CircuitLoad, ratio: number, dipMs: number): void {
  const { amps, periodMs } = load;
  const sinceLastMs = stretch.at === 0 ? 0 : Math.max(0, atMs - stretch.at);
  const isOver = ratio >= 1;
  stretch.at = atMs;
  if (stretch.sinceMs > 0) {
    stretch.dipMs = isOver ? 0 : stretch.dipMs + sinceLastMs;
    if (stretch.dipMs > dipMs || sinceLastMs > Math.max(dipMs, GAP_PERIODS * periodMs)) endStretch(stretch);
  }
  if (stretch.sinceMs === 0) {
    if (isOver) stretch.sinceMs = atMs;
    return;
  }
  const knownMs = Math.min(sinceLastMs, Math.max(LONGEST_SPAN_MS, GAP_PERIODS * periodMs));
  stretch.coveredMs += knownMs;
  stretch.ratioMs = Math.round(stretch.ratioMs + ratio * knownMs);
  stretch.ampsMs = Math.round(stretch.ampsMs + Math.abs(amps) * knownMs);
}

function endStretch(stretch: Stretch): void {
  stretch.sinceMs = 0;
  stretch.dipMs = 0;
  stretch.coveredMs = 0;
  stretch.ratioMs = 0;
  stretch.ampsMs = 0;
}

/** The stretch that has lasted longest, of those that count; null where none does. */
function longestOf({ meter, batteries }: State): Stretch | null {
  if (!counts(meter)) return counts(batteries) ? batteries : null;
  return counts(batteries) && batteries.sinceMs < meter.sinceMs ? batteries : meter;
}

/** The mean of all of it is at the limit, and nearly all of it is known. */
function counts(stretch: Stretch): boolean {
  return (
    stretch.sinceMs > 0 &&
    stretch.ratioMs >= stretch.coveredMs &&
    stretch.coveredMs >= LEAST_COVER * (stretch.at - stretch.sinceMs)
  );
}

/** After hours of charging it is known whether a clamp is of another ratio. */
function isOfOtherRatio(inlet: SiteInlet, { site, wiring }: SiteView): boolean {
  return stateLogOdds(wiring.inlets, site.inlets.indexOf(inlet), 'ratio') > 0;
}

/** For how long the batteries of an inlet will go on charging at full power for the storm, ms. */
function plannedMs(inlet: SiteInlet, view: SiteView): number {
  const { site, nowMs, storm, newest } = view;
  let longestMs = 0;
  for (const [place, battery] of site.batteries.entries()) {
    const reading = newest[place] ?? null;
    if (battery.inlet !== inlet.number || reading === null) continue;
    if (reading.socPct === null || reading.acW === null || reading.acW <= 0) continue;
    if (!isFresh(view, reading, battery.periodSeconds)) continue;
    const { arrivalMs } = planCharge({
      atMs: nowMs,
      onsetMs: storm.open?.onsetMs ?? null,
      socPct: reading.socPct,
      targetPct: Math.min(site.storm.targetPct, FULL_POWER_PCT),
      capacityWh: battery.capacityWh,
      chargeLimitWatts: battery.chargeLimitWatts,
      capWatts: inlet.capWatts,
      capAmps: inlet.capAmps,
      legVolts: legVolts(view, inlet),
      measuredW: reading.acW,
    });
    if (arrivalMs !== null) longestMs = Math.max(longestMs, arrivalMs - nowMs);
  }
  return longestMs;
}

function present(
  stretch: Stretch,
  inlet: SiteInlet,
  comesMs: number,
  atMs: number,
  { site }: SiteView,
): Verdict {
  const { sinceMs } = stretch;
  const lastsMs = atMs - sinceMs;
  const meanA = rounded(stretch.coveredMs > 0 ? stretch.ampsMs / stretch.coveredMs : 0, 1);
  const limitA = rounded(continuousLimitA(inlet.breakerAmps), 1);
  const devices = site.batteries.filter((battery) => battery.inlet === inlet.number);
  return {
    is: 'present',
    sinceMs,
    confidence: 1,
    atOnce: true,
    facts: {
      meanA,
      limitA,
      breakerA: inlet.breakerAmps,
      lasted: spanText(lastsMs),
      early: comesMs > 0,
      inAll: spanText(lastsMs + comesMs),
    },
    evidence: () => ({
      fromMs: sinceMs - 30 * MINUTE_MS,
      toMs: atMs,
      series: [
        `${site.meter.device} inlet${inlet.number}.i`,
        ...devices.map(({ device }) => `${device} ac.p`),
      ],
      figures: [
        {
          label: 'Mean current',
          value: meanA,
          unit: 'A',
          source: `${site.meter.device} inlet${inlet.number}.i`,
        },
        { label: 'Has lasted', value: rounded(lastsMs / HOUR_MS, 1), unit: 'h', source: 'readings' },
        ...(comesMs > 0
          ? [
              {
                label: 'Will go on for',
                value: rounded(comesMs / HOUR_MS, 1),
                unit: 'h',
                source: 'charge plan',
              },
            ]
          : []),
        {
          label: 'Continuous limit',
          value: limitA,
          unit: 'A',
          source: 'NEC 210.20(A): 80 % of the breaker for 3 h and more',
        },
      ],
    }),
  };
}

function words(subject: string, facts: Facts): Words {
  const name = subject.charAt(0).toUpperCase() + subject.slice(1);
  const howLong =
    facts['early'] === true ? `and will for ${facts['inAll']} in all` : `and has for ${facts['lasted']}`;
  return {
    headline: `${name} carries ${facts['meanA']} A without a pause ${howLong}: its breaker of ${facts['breakerA']} A is for ${facts['limitA']} A continuous.`,
    explanation:
      'Three hours and more are a continuous load, for which a branch circuit may carry 80 % of its breaker’s rating. Nothing trips; contacts in plug, inlet and breaker run hot for hours and age.',
    steps: [
      `Lower the charging limit of what is on ${subject} so that the circuit stays below ${facts['limitA']} A on long charges.`,
      'Or let it charge in stretches of less than 3 hours.',
      'At the next visit look at plug and inlet for discolouration, with the battery off and unplugged.',
    ],
    caution:
      'Never fit a larger breaker on the same conductors. Work inside the panel is for a licensed electrician under the local code: the line side stays live with the main open, and the battery is a second source.',
    homeowner: null,
  };
}
