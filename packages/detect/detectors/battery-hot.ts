// The cells are too hot: beyond what they may be, or 10 degrees beyond what the load and the last weeks explain,
// which comes first when a fan fails or the sun finds the unit.
// Easily confused with: the afternoon (each hour of the day is compared with itself), a warm spell (only the
// warmest of the last weeks counts), and a long charge at an unusual hour (heat from the load is allowed for).
// Sources: 55 Cel and 2 min: common practice for iron-phosphate cells, whose data sheets end at 55 to 60.

import { zoneClock } from '@afterwatt/tariff';
import type { BatteryReading, Site, SiteBattery } from '@afterwatt/wire';
import { z } from 'zod';
import { batteryOf } from '../backup-time.ts';
import { ABSENT, defineDetector, type Verdict } from '../detector.ts';
import { rounded } from '../wording.ts';

const MINUTE_MS = 60_000;
const HOUR_MS = 60 * MINUTE_MS;
const HOURS = 24;
/** How slowly a unit warms and cools (common practice: one to three hours). */
const THERMAL_MS = 90 * MINUTE_MS;
/** What full power adds to the temperature in the long run, Cel (common practice: 8 to 15). */
const FULL_POWER_RISE_C = 15;
/** History that explains each hour of the day by itself ... */
const LEARNED_MS = 3 * 24 * HOUR_MS;
/** ... and what is enough to compare with the warmest hour so far, with a margin that shrinks as they become known. */
const BEGUN_HOURS = 3;
const UNKNOWN_HOURS_C = 16;
/** A warmth that is not explained raises what is known of its hour by no more than this a day, Cel. */
const BELIEVED_C = 1;
/** What was known of an hour fades by this a day, Cel, and per cent of full power's heat: some weeks' memory. */
const FADES_C = 0.3;
const FADES_PCT = 2;
/**
 * What the history explains changes with the hour: one that explains for once what an ailing unit holds proves nothing.
 * A unit takes hours to cool.
 */
const BRIDGED_MS = 2 * HOUR_MS;
/** Below this a battery is not hot, however cold the season was, Cel (own judgement: a warm room). */
const WARM_C = 32;
/** No such hour yet. */
const NONE = -273;

const hours = z.array(z.number()).length(HOURS);

const schema = z.object({
  firstMs: z.number().nullable(),
  lastMs: z.number(),
  /** Square of the load as a share of full power, smoothed as the temperature is. */
  heat: z.number(),
  /** The hour that is running (whole hours since the Unix epoch), its warmest reading and its most heat. */
  hour: z.number(),
  hourWarmest: z.number(),
  hourHeat: z.number(),
  /**
   * The same of the hour before it, which waits until the running one has ended: a fault that begins in it is told
   * only later, and is not to explain itself by how it began.
   */
  pastHour: z.number(),
  pastWarmest: z.number(),
  pastHeat: z.number(),
  /** The warmest of each hour of the day, Cel, and its most heat by load, per cent of full power's. */
  warmest: hours,
  mostHeat: hours,
  hotSinceMs: z.number().nullable(),
  unexplainedSinceMs: z.number().nullable(),
  /** When it was last told for its history's sake; 0 before. */
  unexplainedMs: z.number(),
});

type State = z.infer<typeof schema>;

export const batteryHot = defineDetector({
  kind: 'battery-hot',
  thresholds: {
    hotC: {
      default: 55,
      unit: 'Cel',
      min: 30,
      max: 90,
      source: 'common practice: end of iron-phosphate data sheets',
    },
    deadbandC: {
      default: 2,
      unit: 'Cel',
      min: 0,
      max: 20,
      source: 'ISA-18.2 starting deadband for temperature, 1 % of range',
    },
    onDelayMin: {
      default: 2,
      unit: 'min',
      min: 0,
      max: 60,
      source: 'common practice: beyond a disturbed reading',
    },
    unexplainedC: {
      default: 10,
      unit: 'Cel',
      min: 3,
      max: 50,
      source: 'common practice: well beyond weather from day to day indoors',
    },
    unexplainedMin: {
      default: 30,
      unit: 'min',
      min: 1,
      max: 600,
      source: 'a third of the time constant of a unit',
    },
  },
  wants: ['battery'],
  readingsOf: (device) => [device],
  delays: () => ({ onDelayMs: 0, offDelayMs: 2 * MINUTE_MS }),
  subjects: (site) => site.batteries.map((battery) => battery.device),
  about: (device, site) => batteryOf(site, device),
  state: schema,
  start: () => ({
    firstMs: null,
    lastMs: 0,
    heat: 0,
    hour: 0,
    hourWarmest: NONE,
    hourHeat: 0,
    pastHour: 0,
    pastWarmest: NONE,
    pastHeat: 0,
    warmest: Array(HOURS).fill(NONE),
    mostHeat: Array(HOURS).fill(0),
    hotSinceMs: null,
    unexplainedSinceMs: null,
    unexplainedMs: 0,
  }),
  observe(event, { subject, about: battery, state, view, values }): Verdict | undefined {
    if (battery === undefined || event.kind !== 'battery') return undefined;
    const { tempC, at } = event;
    if (tempC === null) return undefined;
    learn(state, event, tempC, battery, view.site);
    if (tempC > values.hotC) state.hotSinceMs ??= at;
    else if (tempC <= values.hotC - values.deadbandC) state.hotSinceMs = null;
    // Cool by any history: nearly always, so what the history explains need not be known.
    const isCool = tempC - (WARM_C - values.unexplainedC) <= values.unexplainedC - values.deadbandC;
    if (isCool && state.hotSinceMs === null) {
      state.unexplainedSinceMs = null;
      return ABSENT;
    }
    const expectedC = explainedC(state, at, view.site);
    const overC = tempC - Math.max(expectedC, WARM_C - values.unexplainedC);
    if (overC > values.unexplainedC) state.unexplainedSinceMs ??= at;
    else if (overC <= values.unexplainedC - values.deadbandC) state.unexplainedSinceMs = null;

    const { hotSinceMs, unexplainedSinceMs } = state;
    if (hotSinceMs === null && unexplainedSinceMs === null)
      return at - state.unexplainedMs < BRIDGED_MS ? { is: 'unknown', why: 'explained for once' } : ABSENT;
    const hot = hotSinceMs !== null && at - hotSinceMs >= values.onDelayMin * MINUTE_MS;
    const unexplained =
      unexplainedSinceMs !== null && at - unexplainedSinceMs >= values.unexplainedMin * MINUTE_MS;
    if (!hot && !unexplained) return { is: 'unknown', why: 'not for long enough' };
    if (unexplained) state.unexplainedMs = at;
    const sinceMs = (hot ? hotSinceMs : unexplainedSinceMs) ?? at;
    return {
      is: 'present',
      sinceMs,
      confidence: 1,
      facts: { tempC: rounded(tempC, 1), hot, hotC: values.hotC, expectedC: finite(expectedC) },
      evidence: () => ({
        fromMs: sinceMs - 12 * HOUR_MS,
        toMs: at,
        series: [`${subject} temp`, `${subject} ac.p`],
        figures: [
          { label: 'Temperature', value: rounded(tempC, 1), unit: 'Cel', source: `${subject} temp` },
          { label: 'Limit', value: values.hotC, unit: 'Cel', source: 'threshold: common practice' },
          {
            label: 'Explained by load and history',
            value: finite(expectedC),
            unit: 'Cel',
            source: 'warmest of the last weeks at this hour of the day',
          },
          {
            label: 'Power',
            value: event.acW === null ? 'not known' : rounded(event.acW),
            unit: 'W',
            source: `${subject} ac.p`,
          },
        ],
      }),
    };
  },
  words: ({ subject, facts }) => ({
    headline:
      facts['hot'] === true
        ? `${subject} is at ${facts['tempC']} Cel, above ${facts['hotC']} Cel.`
        : `${subject} is at ${facts['tempC']} Cel; its load and the last weeks explain ${facts['expectedC']} Cel.`,
    explanation:
      'Heat ages the cells and, beyond their limits, endangers them. A blocked vent, a fan that fails, the sun, or a fault inside the unit brings it about.',
    steps: [
      'Let it rest: stop charging and discharging it from afar.',
      'Ask whether its vents are free, the sun shines on it, or something warm stands beside it.',
      'If it stays hot at rest, have the maker or a licensed electrician take it out of service.',
    ],
    caution:
      'Keep away from a unit that swells, hisses, smells or smokes: leave the house and call the fire service. Do not open the unit.',
    homeowner: `Your battery is unusually hot (${facts['tempC']} Cel). Keep its vents free and the sun off it; if it smells, hisses or smokes, leave the house and call the fire service.`,
  }),
});

function finite(value: number): number | string {
  return Number.isFinite(value) ? rounded(value) : 'not known yet';
}

/** Takes a reading into the history. */
function learn(
  state: State,
  { at, acW }: BatteryReading,
  tempC: number,
  { chargeLimitWatts }: SiteBattery,
  site: Site,
): void {
  state.firstMs ??= at;
  const stepMs = at - state.lastMs;
  if (stepMs > 0) {
    state.lastMs = at;
    const share = (acW ?? 0) / chargeLimitWatts;
    state.heat += (share * share - state.heat) * Math.min(1, stepMs / THERMAL_MS);
  }
  const hour = Math.floor(at / HOUR_MS);
  if (hour > state.hour) {
    keepPastHour(state, site);
    state.pastHour = state.hour;
    state.pastWarmest = state.hourWarmest;
    state.pastHeat = state.hourHeat;
    state.hour = hour;
    state.hourWarmest = NONE;
    state.hourHeat = 0;
  }
  state.hourWarmest = Math.max(state.hourWarmest, tempC);
  // Short in a checkpoint, and a hundredth of what is kept of an hour.
  state.hourHeat = rounded(Math.max(state.hourHeat, state.heat), 4);
}

/** The temperature that load and history explain at this hour, Cel; Infinity before enough was learned. */
function explainedC({ firstMs, warmest, mostHeat, heat }: State, at: number, site: Site): number {
  const heardMs = at - (firstMs ?? at);
  const ofDay = hourOfDay(Math.floor(at / HOUR_MS), site);
  const known = warmest[ofDay] ?? NONE;
  if (heardMs >= LEARNED_MS && known > NONE) return known + riseC(heat, mostHeat[ofDay] ?? 0);
  let knownHours = 0;
  let warmestC = NONE;
  let mostPct = 0;
  for (let hour = 0; hour < HOURS; hour += 1) {
    const hourC = warmest[hour] ?? NONE;
    if (hourC > NONE) knownHours += 1;
    warmestC = Math.max(warmestC, hourC);
    mostPct = Math.max(mostPct, mostHeat[hour] ?? 0);
  }
  if (knownHours < BEGUN_HOURS) return Number.POSITIVE_INFINITY;
  return warmestC + (knownHours < HOURS ? UNKNOWN_HOURS_C : 0) + riseC(heat, mostPct);
}

/** What more heat than the usual one, per cent of full power's, raises the temperature by, Cel. */
function riseC(heat: number, usualPct: number): number {
  return FULL_POWER_RISE_C * Math.max(0, heat - usualPct / 100);
}

/** Adds the hour before the one that has ended to what is known of its hour of the day. */
function keepPastHour(state: State, site: Site): void {
  const { pastHour, pastWarmest, pastHeat } = state;
  if (pastWarmest === NONE) return;
  const ofDay = hourOfDay(pastHour, site);
  const known = state.warmest[ofDay] ?? NONE;
  const unexplained = state.unexplainedSinceMs !== null || state.hotSinceMs !== null;
  const believedC = unexplained ? Math.min(pastWarmest, mostBelievedC(known, state.warmest)) : pastWarmest;
  const heatPct = 100 * pastHeat;
  state.warmest[ofDay] = rounded(Math.max(believedC, known - FADES_C), 1);
  state.mostHeat[ofDay] = rounded(Math.max(heatPct, (state.mostHeat[ofDay] ?? 0) - FADES_PCT));
}

/** What a warmth that is not explained makes of its hour: a little more than was known, or the warmest hour so far. */
function mostBelievedC(known: number, warmest: readonly number[]): number {
  if (known > NONE) return known + BELIEVED_C;
  let mostC = NONE;
  for (const hourC of warmest) mostC = Math.max(mostC, hourC);
  return mostC;
}

function hourOfDay(hour: number, site: Site): number {
  return zoneClock(site.timeZone).hourOfWeek(hour * HOUR_MS) % HOURS;
}
