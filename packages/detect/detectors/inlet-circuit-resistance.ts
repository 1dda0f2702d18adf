// A bad contact in an inlet circuit: a loose terminal, a worn plug, a backstabbed receptacle. All of the current
// goes through a fraction of a square millimetre, and I^2 R of it turns into heat at that one point.
// Seen as the voltage lost between panel and battery, against the current of the circuit: charging takes it
// off the battery's voltage, feeding adds to it, so a line through both has the loop's resistance for a slope
// and the two instruments' offset for an intercept. The copper's own part is known from its gauge and length.
// Easily confused with: gain errors of the instruments (a slope in volts, not in amperes: over the whole swing
// of a leg they make some thousandths of an ohm), two readings a few seconds apart (only steady stretches
// count), voltage that follows the house's own load (it moves both instruments), a voltmeter that hangs (the
// other one goes on, and what the source does looks like a loss), warm copper (the table is for
// 75 Cel, and a circuit is also held against its own history), and a load on the circuit beside the battery.
// The levels of current are kept apart, each with its own mean, so that a night at rest does not wash out an
// hour of charging; Theil-Sen through the levels.

import { copperOhmPerKft, excessHeatW, loopResistanceOhm, theilSen } from '@afterwatt/electrical';
import type { BatteryReading, Site, SiteInlet } from '@afterwatt/wire';
import { z } from 'zod';
import {
  ABSENT,
  defineDetector,
  type Facts,
  type ThresholdValues,
  type Verdict,
  type Words,
} from '../detector.ts';
import {
  type DailyOhms,
  dailyOhmsSchema,
  daysOf,
  historyOhm,
  setDay,
  startDailyOhms,
} from '../models/daily-ohms.ts';
import { emptyCircuitLoad, inletNamed, inletSubject, measureBatteries } from '../models/inlet-load.ts';
import type { SiteView } from '../site-view.ts';
import { rounded } from '../wording.ts';

const HOUR_MS = 3_600_000;
const DAY_MS = 24 * HOUR_MS;
/** Width of a level of current, A, and the farthest one either side of none. */
const LEVEL_A = 3;
const LEVELS = 8;
/** A level counts from so many pairs of readings on, looks back on so many, and is forgotten after a week. */
const LEAST_PAIRS = 12;
const MEMORY_PAIRS = 100;
const FORGOTTEN_DAYS = 8;
/** A pair farther from its level's mean than this is drawn in; so many on one side move the level there. */
const OUTLIER_V = 0.8;
const OUTLIERS_MOVE = 12;
/** Steady: the leg's voltage and the battery's current have hardly moved since the reading before. */
const STEADY_V = 0.5;
const STEADY_A = 0.5;
const NEIGHBOURS_MS = 130_000;
/** A meter reading belongs to a battery reading that comes no later after it. */
const PAIRED_MS = 65_000;
/**
 * The meter shows another current than the battery by more than this: another load, or a clock that is off, so
 * that the two readings do not belong together.
 */
const APART_A = 0.5;
const APART_SHARE = 0.1;
/** The levels have to spread so far, A. */
const LEAST_SPREAD_A = 5;
/**
 * A leg's voltage that repeats while the other leg's ranges over this, or over so many of its steps, hangs: one
 * transformer moves both. So does a port's while its leg's ranges over more than one rounded to 1 V hides.
 */
const OTHER_LEG_V = 0.4;
const OTHER_LEG_STEPS = 3;
const PORT_FOLLOWS_V = 1.2;
/** What slow drifts leave in a level, V, and what the rounding of either voltmeter leaves, as a share of its step. */
const LEVEL_ERROR_V = 0.01;
const ROUNDING_SHARE = 0.29;
/** No voltmeter here is coarser. */
const COARSEST_V = 1;
/** Judged once in so many pairs; twice in a row over the limit is told. */
const PAIRS_A_JUDGEMENT = 30;
const JUDGEMENTS_TOLD = 2;
const HISTORY_DAYS = 30;
/** No healthy loop comes near it: 1000 ft of 14 AWG. */
const LOOP_MOST_OHM = 6;

const THRESHOLDS = {
  excessW: {
    default: 15,
    unit: 'W',
    min: 2,
    max: 200,
    source: 'own judgement: what a small soldering iron makes, at one contact, at the cap',
  },
  clearShare: { default: 0.7, unit: '', min: 0.1, max: 1, source: 'own judgement: deadband' },
  warmShare: {
    default: 1.06,
    unit: '',
    min: 1,
    max: 1.5,
    source: 'copper 20 K warmer than in its own history (NEC chapter 9 table 8, note 2)',
  },
} as const;
type Values = ThresholdValues<typeof THRESHOLDS>;

const levelSchema = z.object({
  level: z.number(),
  /** Means of the current, A, and of the voltage lost, V, over `pairs` pairs. */
  amps: z.number(),
  lostV: z.number(),
  pairs: z.number(),
  /** Pairs in a row that lay far off, with the sign of their side. */
  off: z.number(),
  /** Day of its newest pair, days since the Unix epoch. */
  day: z.number(),
});
/** A value that repeats, the range that another one has had since it does, and the least that it changed by: its step. */
const standingSchema = z.object({
  value: z.number(),
  least: z.number(),
  most: z.number(),
  stepV: z.number(),
});
type Standing = z.infer<typeof standingSchema>;
const stateSchema = z.object({
  levels: z.array(levelSchema),
  /** Of the leg's voltage beside the other leg's, and of the port's beside the leg's. */
  legStands: standingSchema,
  portStands: standingSchema,
  pairs: z.number(),
  loopOhm: z.number().nullable(),
  /** Judgements in a row over the limit, and since when. */
  over: z.number(),
  sinceMs: z.number(),
  told: z.boolean(),
  days: dailyOhmsSchema,
});
type State = z.infer<typeof stateSchema>;

export const inletCircuitResistance = defineDetector({
  kind: 'inlet-circuit-resistance',
  thresholds: THRESHOLDS,
  wants: ['battery'],
  delays: () => ({ onDelayMs: 0, offDelayMs: HOUR_MS }),
  readingsOf: listenedTo,
  subjects: (site) => site.inlets.map((inlet) => inletSubject(inlet.number)),
  about: (subject, site) => inletNamed(site, subject),
  state: stateSchema,
  start: () => ({
    levels: [],
    legStands: { value: 0, least: 0, most: 0, stepV: COARSEST_V },
    portStands: { value: 0, least: 0, most: 0, stepV: COARSEST_V },
    pairs: 0,
    loopOhm: null,
    over: 0,
    sinceMs: 0,
    told: false,
    days: startDailyOhms(),
  }),
  observe(event, { about: inlet, state, view, values }): Verdict | undefined {
    if (inlet === undefined || event.kind !== 'battery') return undefined;
    if (!takePair(state, inlet, event, view)) return undefined;
    state.pairs += 1;
    if (state.pairs % PAIRS_A_JUDGEMENT !== 0) return undefined;
    return judge(state, inlet, event.at, view.site, values);
  },
  words: ({ subject, facts }) => words(subject, facts),
});

/** One battery's voltmeter has one offset: the first on the inlet is listened to. */
function listenedTo(subject: string, site: Site): string[] {
  const number = inletNamed(site, subject)?.number;
  return site.batteries
    .filter(({ inlet }) => inlet === number)
    .slice(0, 1)
    .map(({ device }) => device);
}

const load = emptyCircuitLoad();

/** Pairs a battery reading with the meter's, if both stand still; false when they are of no use. */
function takePair(state: State, inlet: SiteInlet, battery: BatteryReading, view: SiteView): boolean {
  const { meter, previousMeter, before, site, grid } = view;
  if (meter === null || previousMeter === null || before?.kind !== 'battery' || grid.present === false)
    return false;
  if (battery.at - meter.at > PAIRED_MS || meter.at - previousMeter.at > NEIGHBOURS_MS) return false;
  if (battery.at - before.at > NEIGHBOURS_MS) return false;
  const isL1 = inlet.leg === 'L1';
  const nowV = isL1 ? meter.l1V : meter.l2V;
  const otherV = isL1 ? meter.l2V : meter.l1V;
  if (hangs(state, nowV, otherV, battery.acV, view.wiring.voltages.resolutionV)) return false;
  const thenV = isL1 ? previousMeter.l1V : previousMeter.l2V;
  if (nowV === null || thenV === null || Math.abs(nowV - thenV) > STEADY_V) return false;
  if (battery.acV === null || battery.acV < site.service.nominalVolts / 2) return false;
  const nowA = portAmps(battery);
  const thenA = portAmps(before);
  if (nowA === null || thenA === null || Math.abs(nowA - thenA) > STEADY_A) return false;
  if (!measureBatteries(inlet, view, load)) return false;
  const { amps } = load;
  const shownA = inlet.number === 1 ? meter.inlet1A : meter.inlet2A;
  const apartA = shownA === null ? 0 : Math.abs(Math.abs(shownA) - Math.abs(amps));
  if (apartA > APART_A + APART_SHARE * Math.abs(amps)) return false;
  addToLevel(state, amps, (nowV + thenV) / 2 - battery.acV, battery.at);
  return true;
}

/** Does one of the two instruments stand still while what it measures moves? */
function hangs(
  { legStands, portStands }: State,
  legV: number | null,
  otherV: number | null,
  portV: number | null,
  resolutionV: number,
): boolean {
  const otherRangeV = rangeMeanwhile(legStands, legV, otherV);
  const legRangeV = rangeMeanwhile(portStands, portV, legV);
  return otherRangeV > Math.max(OTHER_LEG_V, OTHER_LEG_STEPS * resolutionV) || legRangeV > PORT_FOLLOWS_V;
}

/** Range of `other` for as long as `value` has repeated. */
function rangeMeanwhile(standing: Standing, value: number | null, other: number | null): number {
  if (value === null || other === null) return 0;
  const repeats = value === standing.value;
  if (!repeats) standing.stepV = rounded(Math.min(standing.stepV, Math.abs(value - standing.value)), 3);
  standing.value = value;
  standing.least = repeats ? Math.min(standing.least, other) : other;
  standing.most = repeats ? Math.max(standing.most, other) : other;
  return standing.most - standing.least;
}

/** Current at the port, A, 0 and up; from the power where the device sends none. */
function portAmps({ acA, acW, acV }: BatteryReading): number | null {
  if (acA !== null) return acA;
  return acW === null || acV === null ? null : Math.abs(acW) / acV;
}

function addToLevel(state: State, amps: number, lostV: number, atMs: number): void {
  const number = Math.max(-LEVELS, Math.min(LEVELS, Math.round(amps / LEVEL_A)));
  let level: State['levels'][number] | undefined;
  for (const candidate of state.levels) if (candidate.level === number) level = candidate;
  if (level === undefined) {
    level = { level: number, amps: rounded(amps, 3), lostV: rounded(lostV, 4), pairs: 0, off: 0, day: 0 };
    state.levels.push(level);
  }
  level.day = Math.floor(atMs / DAY_MS);
  const distanceV = lostV - level.lostV;
  const isOff = level.pairs >= LEAST_PAIRS && Math.abs(distanceV) > OUTLIER_V;
  level.off = isOff
    ? (Math.sign(distanceV) === Math.sign(level.off) ? level.off : 0) + Math.sign(distanceV)
    : 0;
  if (Math.abs(level.off) >= OUTLIERS_MOVE) {
    level.pairs = 0;
    level.off = 0;
  }
  level.pairs = Math.min(MEMORY_PAIRS, level.pairs + 1);
  const drawnV = level.pairs === 1 ? distanceV : Math.max(-OUTLIER_V, Math.min(OUTLIER_V, distanceV));
  level.lostV = rounded(level.lostV + drawnV / level.pairs, 4);
  level.amps = rounded(level.amps + (amps - level.amps) / level.pairs, 3);
}

function judge(
  state: State,
  inlet: SiteInlet,
  atMs: number,
  site: Site,
  values: Values,
): Verdict | undefined {
  state.levels = state.levels.filter((level) => atMs / DAY_MS - level.day < FORGOTTEN_DAYS);
  const known = state.levels.filter((level) => level.pairs >= LEAST_PAIRS);
  const amps = known.map((level) => level.amps);
  const spreadA = Math.max(...amps) - Math.min(...amps);
  const line =
    known.length < 2 || spreadA < LEAST_SPREAD_A
      ? undefined
      : theilSen(
          amps,
          known.map((level) => level.lostV),
        );
  if (line === undefined) return undefined;
  const loopOhm = rounded(Math.max(0, line.slope), 4);
  state.loopOhm = loopOhm;
  noteDay(state.days, atMs, loopOhm);

  const errorOhm = (2 * levelErrorV(state)) / spreadA;
  const expectedOhm = expectedOf(state, inlet, values);
  const surelyW = excessHeatW(loopOhm - errorOhm, expectedOhm, inlet.capAmps);
  const excessW = excessHeatW(loopOhm, expectedOhm, inlet.capAmps);
  if (surelyW > values.excessW) {
    if (state.over === 0) state.sinceMs = atMs;
    state.over += 1;
  } else {
    state.over = 0;
  }
  if (state.over >= JUDGEMENTS_TOLD) state.told = true;
  else if (excessW < values.clearShare * values.excessW) state.told = false;
  return state.told ? present(state, inlet, expectedOhm, excessW, atMs, site) : ABSENT;
}

/** How far the mean of a level may lie off, V: what is rounded lies anywhere within a step (its share: 1/sqrt(12)). */
function levelErrorV({ legStands, portStands }: State): number {
  return LEVEL_ERROR_V + ROUNDING_SHARE * Math.hypot(legStands.stepV, portStands.stepV);
}

/** What the loop should have: its copper by the table, or its own history before today where that is less. */
function expectedOf({ days }: State, inlet: SiteInlet, values: Values): number {
  const copperOhm = copperOf(inlet);
  const earlier = historyOhm({ endDay: days.endDay - 1, ohms: days.ohms.slice(0, -1) }, LOOP_MOST_OHM);
  return earlier === null ? copperOhm : Math.min(copperOhm, values.warmShare * earlier);
}

/** Out and back, stranded copper at 75 Cel: NEC chapter 9 table 8. */
function copperOf({ conductorAwg, oneWayFeet }: SiteInlet): number {
  return loopResistanceOhm(copperOhmPerKft(conductorAwg, 'stranded'), oneWayFeet);
}

/** A day's value follows its judgements, the later ones more. */
function noteDay(days: DailyOhms, atMs: number, ohm: number): void {
  const day = Math.floor(atMs / DAY_MS);
  const today = days.endDay === day ? (days.ohms.at(-1) ?? ohm) : ohm;
  setDay(days, day, (today + ohm) / 2, HISTORY_DAYS);
}

function present(
  state: State,
  inlet: SiteInlet,
  expectedOhm: number,
  excessW: number,
  atMs: number,
  site: Site,
): Verdict {
  const { sinceMs, days } = state;
  const loopOhm = rounded(state.loopOhm ?? 0, 3);
  const watts = rounded(excessW);
  // Taken now: the state goes on, the evidence does not.
  const trend = daysOf(days)
    .slice(-10)
    .map(({ ohm }) => rounded(ohm, 2))
    .join(' ');
  const battery = site.batteries.find((candidate) => candidate.inlet === inlet.number);
  const leg = `${site.meter.device} ${inlet.leg.toLowerCase()}.v`;
  const port = `${battery?.device ?? ''} ac.v`;
  return {
    is: 'present',
    sinceMs,
    confidence: 0.97,
    facts: { loopOhm, expectedOhm: rounded(expectedOhm, 3), watts, capA: inlet.capAmps },
    evidence: () => ({
      fromMs: sinceMs - DAY_MS,
      toMs: atMs,
      series: [leg, port, `${battery?.device ?? ''} ac.i`],
      figures: [
        { label: 'Loop resistance', value: loopOhm, unit: 'ohm', source: `${leg} less ${port}, over ac.i` },
        {
          label: 'Of its copper',
          value: rounded(copperOf(inlet), 3),
          unit: 'ohm',
          source: `NEC chapter 9 table 8: twice ${inlet.oneWayFeet} ft of ${inlet.conductorAwg} AWG`,
        },
        {
          label: 'Expected here',
          value: rounded(expectedOhm, 3),
          unit: 'ohm',
          source: 'copper, or its own history',
        },
        {
          label: `Heat beyond that at ${inlet.capAmps} A`,
          value: watts,
          unit: 'W',
          source: 'I²R of the excess',
        },
        {
          label: 'Trend, one value a day',
          value: trend,
          unit: 'ohm',
          source: 'the same',
        },
      ],
    }),
  };
}

function words(subject: string, facts: Facts): Words {
  return {
    headline: `The circuit of ${subject} has a bad connection: ${facts['loopOhm']} ohm where ${facts['expectedOhm']} are expected, ${facts['watts']} W of heat at ${facts['capA']} A.`,
    explanation:
      'More voltage is lost between the panel and the battery than the conductors explain, in proportion to the current. The rest is a contact: a terminal, the inlet, the plug. It heats up at one point, and nothing trips.',
    steps: [
      'Set the battery’s charge and discharge limits low, or off, until it is found.',
      'With the battery off and unplugged, look at plug and inlet for discolouration and a loose fit.',
      'Have a licensed electrician check the terminals of inlet and breaker, and tighten them to the marked torque.',
      'Confirm gauge and length of the conductors against the site’s registration.',
    ],
    caution:
      'A contact like this can be hot enough to burn and to start a fire: let it cool before touching plug or inlet. Work at the terminals and in the panel is for a licensed electrician under the local code: the line side stays live with the main open, and the battery is a second source.',
    homeowner:
      'A connection in your battery’s circuit is getting hot: switch the battery off at its own switch, do not touch a plug that is warm or discoloured, leave the panel closed, and call your installer. If you smell burning, leave and call the fire department.',
  };
}
