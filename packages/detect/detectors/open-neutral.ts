// The neutral between transformer and panel is loose or open. Without it the legs' loads stand in series
// across 240 V and divide it by their resistances: one leg rises, the other falls, their sum stays. Lamps and
// electronics on the rising leg burn out, and currents return through pipes and earth electrodes.
// Seen in three ways, each enough by itself:
//  - the legs part beyond the service range in opposite directions, or part from each other by more than
//    their currents explain, from one reading to the next: the break itself;
//  - the line of v1 - v2 over the neutral's current turns steeper than 0.3 ohm of neutral: loose, also while
//    little current shows it;
//  - it climbs over hours or days before that: about to fail, told as medium.
// Easily confused with: a brown-out or a high line (both legs go the same way), a 240 V load with a neutral,
// the start of a big motor (one reading; its current explains it), one leg that is weak or reads wrong by itself (the
// other leg does not answer, so their sum moves as much as their difference), solar feeding both legs, and CTs that sit
// wrong (see models/service-impedance.ts: only sizes of slopes count, for any arrangement of the clamps).
// Sources: ANSI C84.1 range A for the parting; 0.3 ohm and five times its own history: own judgement, ten
// times what a healthy neutral of some tens of milliohm has; at 20 A it makes 120 W of heat in one joint.

import { inPhaseCurrentA } from '@afterwatt/electrical';
import type { MeterReading, Priority } from '@afterwatt/wire';
import { z } from 'zod';
import {
  ABSENT,
  defineDetector,
  type Facts,
  type Figure,
  type ThresholdValues,
  type Verdict,
  type Words,
} from '../detector.ts';
import { daysOf, historyOhm, isClimbing } from '../models/daily-ohms.ts';
import {
  differenceResidualV,
  hiddenDifferenceV,
  neutralCurrentA,
  neutralOhm,
  type ServiceImpedanceState,
  unloadedDifferenceV,
} from '../models/service-impedance.ts';
import { areFine } from '../models/wiring/voltage-evidence.ts';
import { isServiceLikelyMismeasured, isServiceMismeasured } from '../models/wiring-report.ts';
import type { SiteView } from '../site-view.ts';
import { rounded } from '../wording.ts';

const MINUTE_MS = 60_000;
/** Points of suspicion at which it is told, and what a reading without any takes off. */
const SUSPICION_TOLD = 2;
const SUSPICION_CALMS = 0.5;
/**
 * So many times the usual distance from the line are no noise; it is known after so many readings, and looks back
 * on some hours: a neutral that broke while little flows is not to become the usual before a load shows it.
 */
const USUAL_RESIDUALS = 8;
const SETTLED_READINGS = 100;
const RESIDUAL_READINGS = 3000;
/** The usual sum looks back on so many readings: ten minutes at 5 s, in which a source hardly moves. */
const SUM_READINGS = 120;
/** One leg by itself moves the sum by all of what it moves the difference, an open neutral by little of it. */
const SUM_MOVES_LEAST = 0.5;
/** So much of the unexplained parting must be there in the voltages themselves, beyond what they part by without load. */
const SHOWN_LEAST = 0.75;
/** Readings that come more slowly than this are each enough. */
const SLOW_READINGS_MS = 12_000;
/** Lines in a row that have to show a loose neutral. */
const LOOSE_LINES = 3;
/** What a healthy neutral has, ohm, where a site has no history (common practice: tens of milliohm). */
const HEALTHY_OHM = 0.06;
/** Readings in a row that show a sound neutral under load, before an open one is taken as mended. */
const SOUND_READINGS = 60;
const SOUND_CURRENT_A = 3;
/** ... and none that speaks for the fault in this time. */
const CALM_MS = 15 * MINUTE_MS;
/** All levels of a line are newer than the fault, or than its repair, after so many lines ... */
const LINES_OF_NEW_LEVELS = 9;
/** ... and most of the lines of which neutralOhm is the running median after so many. */
const LINES_OF_NEW_MEDIAN = LINES_OF_NEW_LEVELS + 8;
/**
 * What rounding may leave in the resistance of a line over 3 A, ohm for each volt of a voltmeter's step: twice the
 * standard deviation of the difference of two voltages, each 1/sqrt(12) of the step. Steps of a tenth of a volt leave
 * less than loads do.
 */
const ROUNDING_OHM_PER_V = 0.27;
const NEVER = Number.POSITIVE_INFINITY;
const THRESHOLDS = {
  highPu: { default: 1.05, unit: 'pu', min: 1, max: 1.5, source: 'ANSI C84.1 service range A: 126 V' },
  lowPu: { default: 0.95, unit: 'pu', min: 0.5, max: 1, source: 'ANSI C84.1 service range A: 114 V' },
  sumPct: {
    default: 4,
    unit: '%',
    min: 1,
    max: 20,
    source: 'own judgement: within range A, where no load pulls both legs',
  },
  partedV: {
    default: 3.3,
    unit: 'V',
    min: 0.5,
    max: 20,
    source: 'own judgement: 0.3 ohm at 6 A; what half of a kettle’s current, unseen, parts at a weak service',
  },
  looseOhm: {
    default: 0.3,
    unit: 'ohm',
    min: 0.1,
    max: 5,
    source: 'own judgement: 120 W in a joint at 20 A',
  },
  overHistory: { default: 5, unit: 'times', min: 1.5, max: 100, source: 'own judgement' },
  climbOhm: { default: 0.12, unit: 'ohm', min: 0.02, max: 5, source: 'own judgement' },
  climbOverHistory: { default: 3, unit: 'times', min: 1.5, max: 100, source: 'own judgement' },
} as const;
type Values = ThresholdValues<typeof THRESHOLDS>;

const stateSchema = z.object({
  /** Points for readings that an open neutral explains and nothing else does. */
  suspicion: z.number(),
  suspectMs: z.number(),
  lastPointMs: z.number(),
  /** Usual distance of v1 - v2 from what the currents explain while all is sound, V, and readings it rests on. */
  usualV: z.number(),
  usualReadings: z.number(),
  /** Usual sum of the legs over the last minutes without suspicion, V; 0 before any. */
  usualSumV: z.number(),
  /** Lines in a row that show a loose neutral, and the last line judged. */
  looseLines: z.number(),
  looseMs: z.number(),
  line: z.number(),
  /** How it stands; null while it is sound. */
  found: z.enum(['open', 'loose', 'climbing']).nullable(),
  sinceMs: z.number(),
  /** What a sound neutral is worth here, ohm, as it was known before: days at fault are no history. */
  soundOhm: z.number(),
  /** Lines at the time it was found, or at the time it was sound again; 0 before any. */
  foundLine: z.number(),
  soundReadings: z.number(),
  /** The farthest that the legs stood apart since then, V of each leg. */
  peakV: z.object({ l1: z.number(), l2: z.number() }),
});
type State = z.infer<typeof stateSchema>;

export const openNeutral = defineDetector({
  kind: 'open-neutral',
  thresholds: THRESHOLDS,
  wants: ['meter'],
  delays: () => ({ onDelayMs: 0, offDelayMs: 5 * MINUTE_MS }),
  subjects: () => ['service'],
  state: stateSchema,
  start: () => ({
    suspicion: 0,
    suspectMs: 0,
    lastPointMs: 0,
    usualV: 0,
    usualReadings: 0,
    usualSumV: 0,
    looseLines: 0,
    looseMs: 0,
    line: 0,
    found: null,
    sinceMs: 0,
    soundOhm: HEALTHY_OHM,
    foundLine: 0,
    soundReadings: 0,
    peakV: { l1: 0, l2: 0 },
  }),
  observe(event, { state, view, values }): Verdict | undefined {
    if (event.kind !== 'meter' || event.l1V === null || event.l2V === null) return undefined;
    const impedance = view.serviceImpedance;
    if (state.found === null && state.line !== impedance.lines) {
      state.soundOhm = historyOhm(impedance.days, values.looseOhm) ?? HEALTHY_OHM;
    }
    suspect(state, event, view, values);
    if (state.suspicion >= SUSPICION_TOLD) find(state, 'open', state.suspectMs, impedance.lines);
    // A battery on the leg that falls calls it an outage: parted legs are told then too, and nothing else.
    const away = view.grid.present === false;
    if (away && state.suspicion < SUSPICION_TOLD) return undefined;
    if (state.line !== impedance.lines) {
      state.line = impedance.lines;
      judgeLine(state, event.at, view, values);
    }
    if (state.found === null) return ABSENT;
    if (isSound(state, event, view, values)) {
      state.found = null;
      state.foundLine = impedance.lines;
      return ABSENT;
    }
    notePeak(state, event.l1V, event.l2V);
    return present(state, event.at, view);
  },
  words: ({ facts }) => words(facts),
});

/** Do the legs stand in a way that only an open neutral explains? Adds to the suspicion, or calms it. */
function suspect(state: State, meter: MeterReading, view: SiteView, values: Values): void {
  const points = pointsOf(state, meter, view, values);
  if (points === 0) {
    state.suspicion = Math.max(0, state.suspicion - SUSPICION_CALMS);
    return;
  }
  if (state.suspicion === 0) state.suspectMs = meter.at;
  state.lastPointMs = meter.at;
  state.soundReadings = 0;
  const sinceLastMs = meter.at - (view.previousMeter?.at ?? meter.at);
  const slow = sinceLastMs > SLOW_READINGS_MS;
  state.suspicion = Math.min(2 * SUSPICION_TOLD, state.suspicion + (slow ? 2 * points : points));
}

function pointsOf(state: State, meter: MeterReading, view: SiteView, values: Values): number {
  const nominalV = view.site.service.nominalVolts;
  const l1V = meter.l1V ?? 0;
  const l2V = meter.l2V ?? 0;
  if (Math.abs(l1V + l2V - 2 * nominalV) > (values.sumPct / 100) * 2 * nominalV) return 0;
  const high = Math.max(l1V, l2V) / nominalV;
  const low = Math.min(l1V, l2V) / nominalV;
  if (high > values.highPu && low < values.lowPu) {
    const extreme = high - 1 > 2 * (values.highPu - 1) && 1 - low > 2 * (1 - values.lowPu);
    return extreme ? SUSPICION_TOLD : 1;
  }
  if (view.grid.present === false) return 0;
  const impedance = view.serviceImpedance;
  const residualV = differenceResidualV(impedance, meter);
  const movedV = Math.abs(l1V + l2V - (state.usualSumV === 0 ? l1V + l2V : state.usualSumV));
  if (residualV === null) {
    noteSum(state, l1V + l2V);
    return 0;
  }
  const apartV = Math.abs(residualV);
  const hiddenV = hiddenDifferenceV(impedance, meter);
  const limitV = Math.max(values.partedV, USUAL_RESIDUALS * state.usualV, hiddenV);
  if (state.found === null) {
    state.usualReadings = Math.min(RESIDUAL_READINGS, state.usualReadings + 1);
    const usualV = state.usualV + (Math.min(apartV, limitV) - state.usualV) / state.usualReadings;
    state.usualV = rounded(usualV, 5);
  }
  const explainedV = 2 * values.looseOhm * Math.abs(neutralCurrentA(impedance, meter));
  const isApart = state.usualReadings >= SETTLED_READINGS && apartV >= limitV && apartV >= explainedV;
  if (!isApart) noteSum(state, l1V + l2V);
  if (!isApart || movedV > SUM_MOVES_LEAST * apartV) return 0;
  // It adds to the parting that the current in it makes: what clamps of another arrangement foretell does not.
  const shownV = Math.sign(residualV) * (l1V - l2V - unloadedDifferenceV(impedance));
  if (shownV < SHOWN_LEAST * apartV) return 0;
  // A clamp that shows half or nothing hides the current that explains it.
  return isServiceLikelyMismeasured(view) ? 0 : 1;
}

function noteSum(state: State, sumV: number): void {
  const { usualSumV } = state;
  state.usualSumV = rounded(usualSumV === 0 ? sumV : usualSumV + (sumV - usualSumV) / SUM_READINGS, 3);
}

/** A new line of the neutral: loose, climbing, or neither. */
function judgeLine(state: State, atMs: number, view: SiteView, values: Values): void {
  const impedance = view.serviceImpedance;
  const { soundOhm: history } = state;
  // After a repair a line still rests on levels of the fault for a while.
  const linesSince = state.found === null && state.foundLine > 0 ? impedance.lines - state.foundLine : NEVER;
  if (linesSince < LINES_OF_NEW_LEVELS) return;
  const latest = impedance.latestOhm ?? 0;
  const isLoose = impedance.latestFits && latest > values.looseOhm && latest > values.overHistory * history;
  if (isLoose) {
    if (state.looseLines === 0) state.looseMs = atMs;
    state.looseLines += 1;
  } else {
    state.looseLines = 0;
  }
  if (state.looseLines >= LOOSE_LINES) {
    find(state, 'loose', state.looseMs, impedance.lines);
    return;
  }
  // A clamp that shows half makes the neutral look twice as steep: a climb waits until the clamps are known.
  if (isServiceMismeasured(view) || linesSince < LINES_OF_NEW_MEDIAN) return;
  const { voltages } = view.wiring;
  const roundingOhm = areFine(voltages) ? 0 : ROUNDING_OHM_PER_V * voltages.resolutionV;
  const climbOhm = values.climbOhm + roundingOhm;
  const now = neutralOhm(impedance) ?? 0;
  const hasRisen = now > climbOhm && now > values.climbOverHistory * history;
  if (hasRisen || isClimbing(impedance.days, climbOhm)) find(state, 'climbing', atMs, impedance.lines);
}

function find(state: State, found: 'open' | 'loose' | 'climbing', sinceMs: number, line: number): void {
  if (state.found === null) {
    state.sinceMs = sinceMs;
    state.peakV = { l1: 0, l2: 0 };
  } else if (found === 'climbing') {
    return;
  }
  if (state.found !== found) state.foundLine = line;
  state.found = found;
  state.soundReadings = 0;
}

/**
 * Mended only by evidence: currents flow in the neutral and the legs stay together. A quiet night is none.
 * Lines that have turned steep themselves explain the fault's voltages, so they have to be sound as well.
 */
function isSound(state: State, meter: MeterReading, view: SiteView, values: Values): boolean {
  const impedance = view.serviceImpedance;
  const newLines = impedance.lines - state.foundLine;
  if (meter.at - state.lastPointMs < CALM_MS) return false;
  if (state.found === 'climbing')
    return newLines > LINES_OF_NEW_LEVELS && climbIsOver(state, impedance, values);
  const soundOhm = Math.max(values.looseOhm / 2, 2 * state.soundOhm);
  const ohm = neutralOhm(impedance);
  const residualV = differenceResidualV(impedance, meter);
  if (ohm === null || residualV === null || hiddenDifferenceV(impedance, meter) > 0)
    return state.found === 'open' && standTogether(state, meter, view, values);
  if (ohm > soundOhm) return false;
  if (newLines >= LINES_OF_NEW_LEVELS) return impedance.latestFits && (impedance.latestOhm ?? ohm) < soundOhm;
  if (state.found === 'loose') return false;
  const amps = Math.abs(neutralCurrentA(impedance, meter));
  if (amps >= SOUND_CURRENT_A && Math.abs(residualV) < soundOhm * amps) state.soundReadings += 1;
  return state.soundReadings >= SOUND_READINGS;
}

/**
 * A home of so few loads that no line could be drawn yet: its legs stay together, whichever way the clamps sit,
 * by less than half of what a loose neutral would part them with the current that flows in it.
 */
function standTogether(state: State, meter: MeterReading, { site }: SiteView, values: Values): boolean {
  const l1A = inPhaseCurrentA(meter.l1W ?? 0, meter.l1V ?? 0);
  const l2A = inPhaseCurrentA(meter.l2W ?? 0, meter.l2V ?? 0);
  const amps = Math.min(Math.abs(l1A - l2A), Math.abs(l1A + l2A));
  const accuracyV = 2 * (site.meter.accuracyPct / 100) * site.service.nominalVolts;
  const apartV = Math.abs((meter.l1V ?? 0) - (meter.l2V ?? 0));
  if (amps >= SOUND_CURRENT_A && apartV < accuracyV + values.looseOhm * amps) state.soundReadings += 1;
  return state.soundReadings >= SOUND_READINGS;
}

function climbIsOver({ soundOhm }: State, impedance: ServiceImpedanceState, values: Values): boolean {
  const now = neutralOhm(impedance) ?? 0;
  return now < Math.max(values.climbOhm / 2, 1.5 * soundOhm) && !isClimbing(impedance.days, values.climbOhm);
}

function notePeak(state: State, l1V: number, l2V: number): void {
  if (Math.abs(l1V - l2V) > Math.abs(state.peakV.l1 - state.peakV.l2)) state.peakV = { l1: l1V, l2: l2V };
}

function present(state: State, atMs: number, view: SiteView): Verdict {
  const { found, sinceMs, soundOhm } = state;
  const { serviceImpedance: impedance, site } = view;
  const l1V = rounded(state.peakV.l1, 1);
  const l2V = rounded(state.peakV.l2, 1);
  const ohm = rounded((found === 'climbing' ? neutralOhm(impedance) : impedance.latestOhm) ?? 0, 2);
  const priority: { priority?: Priority } = found === 'climbing' ? { priority: 'medium' } : {};
  const figures = figuresOf(l1V, l2V, ohm, soundOhm, view);
  return {
    is: 'present',
    sinceMs,
    confidence: found === 'open' ? 0.99 : found === 'loose' ? 0.97 : 0.9,
    ...priority,
    facts: { found: found ?? 'open', l1V, l2V, ohm },
    evidence: () => ({
      fromMs: sinceMs - (found === 'climbing' ? 48 * 60 : 30) * MINUTE_MS,
      toMs: atMs,
      series: ['l1.v', 'l2.v', 'l1.p', 'l2.p'].map((quantity) => `${site.meter.device} ${quantity}`),
      figures,
    }),
  };
}

function figuresOf(l1V: number, l2V: number, ohm: number, soundOhm: number, view: SiteView): Figure[] {
  const { serviceImpedance: impedance, site } = view;
  const source = 'slope of v1 - v2 over the neutral current';
  return [
    { label: 'L1 when farthest apart', value: l1V, unit: 'V', source: `${site.meter.device} l1.v` },
    { label: 'L2 when farthest apart', value: l2V, unit: 'V', source: `${site.meter.device} l2.v` },
    { label: 'Neutral resistance', value: ohm, unit: 'ohm', source },
    {
      label: 'While it was sound',
      value: rounded(soundOhm, 3),
      unit: 'ohm',
      source: `lower quartile of its days before, or ${HEALTHY_OHM} ohm where it has none`,
    },
    {
      label: 'Trend, one value a day',
      value: daysOf(impedance.days)
        .slice(-10)
        .map((day) => rounded(day.ohm, 2))
        .join(' '),
      unit: 'ohm',
      source,
    },
  ];
}

const CAUTION =
  'Nobody opens the panel, the meter socket or the service equipment to look: a broken neutral puts up to 240 V on a leg, and metal parts, pipes and the earth electrode can be live. The service side is the utility’s, and stays live with the main open; the battery is a second source. Work in the panel is for a licensed electrician under the local code.';

function words(facts: Facts): Words {
  if (facts['found'] === 'climbing') {
    return {
      headline: `The service neutral is working loose: ${facts['ohm']} ohm and climbing.`,
      explanation:
        'The legs part more and more with the current in the neutral. A joint between transformer and panel is losing contact; when it opens, one leg rises towards 240 V.',
      steps: [
        'Call the utility and ask for the neutral at the weatherhead, the meter and the transformer to be checked.',
        'Have a licensed electrician check the neutral from the meter to the panel.',
        'Watch the trend: if the legs part, treat it as open.',
      ],
      caution: CAUTION,
      homeowner:
        'The neutral wire of your electric service is working loose: call your utility and a licensed electrician this week; there is nothing for you to open or touch.',
    };
  }
  const apart = `L1 at ${facts['l1V']} V, L2 at ${facts['l2V']} V`;
  return {
    headline:
      facts['found'] === 'open'
        ? `The service neutral is open or loose: the legs part, ${apart}.`
        : `The service neutral is loose: ${facts['ohm']} ohm.`,
    explanation:
      'The legs move in opposite directions while their sum stays near 240 V: the loads of one leg are in series with those of the other. Appliances on the high leg are damaged, a bad joint can start a fire, and earthed metal can be live.',
    steps: [
      'Call the homeowner now: turn off and unplug what is sensitive, keep away from metal pipes and the earth electrode.',
      'Have the utility called at once: it treats an open neutral as an emergency.',
      'Send a licensed electrician for the part from the meter to the panel.',
    ],
    caution: CAUTION,
    homeowner:
      'Danger: your electric service has a loose or broken neutral. Turn off and unplug what is sensitive, call your utility’s emergency line and a licensed electrician now, and leave the panel closed: there is nothing for you to open or touch. If you smell burning, leave the house and call the emergency services.',
  };
}
