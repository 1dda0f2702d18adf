// The energy that goes in and comes out does not fit what the gauge and the registration say: the cells hold
// less (or more) than registered, or too much is lost on the way round.
// Each swing of the gauge by 30 points or more gives the energy at the AC port for one point. A charge and a
// discharge together give both figures without any assumption on either's losses: the geometric mean of the two
// is the capacity, their ratio the round-trip efficiency.
// Easily confused with: losses at low power, where the inverter's own draw counts (reckoned in), a gauge of whole
// per cents (a swing of 30 points is exact to 3 %), a gauge that corrects itself by a jump, solar power into the
// battery, gaps in the readings, and feeding while charging (such swings are left out).
// Sources: round trip 80 to 92 % for household AC-coupled units (common practice; NREL ATB assumes 85 %).

import { advanceEnergy, emptyEnergyCount } from '@afterwatt/electrical';
import type { BatteryReading } from '@afterwatt/wire';
import { z } from 'zod';
import { batteryOf, IDLE_W } from '../backup-time.ts';
import { ABSENT, defineDetector, type Verdict } from '../detector.ts';
import { rounded } from '../wording.ts';

const DAY_MS = 86_400_000;
const HOUR_MS = 3_600_000;
/** A gauge that comes back by so much has turned. */
const TURN_PCT = 3;
/** No battery charges by so much between two readings: the gauge has corrected itself. */
const JUMP_PCT = 5;
/** Below this it is standby, and neither charges nor discharges (common practice: 10 to 30 W). */
const STANDBY_W = 30;
/** At less mean power the inverter's own draw, which is only roughly known, decides. */
const LEAST_MEAN_W = 150;
/** Of a swing: energy against its direction, solar energy, time in gaps. */
const MOST_AGAINST = 0.1;
const MOST_SOLAR = 0.05;
const MOST_GAP = 0.05;
/** While it rests, a unit may live on its cells, and nobody meters that: the most of a swing that the gauge may move so. */
const MOST_AT_REST = 0.05;
/** Charge and discharge are compared while no more than this lies between them. */
const COMPARABLE_MS = 14 * DAY_MS;
/** A power is taken to hold for five times this between readings, where the device is registered as faster. */
const LEAST_PERIOD_MS = 20_000;

const energySchema = z.object({
  begun: z.boolean(),
  lastAtMs: z.number(),
  lastPowerW: z.number(),
  positiveWh: z.number(),
  negativeWh: z.number(),
  coveredMs: z.number(),
  gapMs: z.number(),
});

/** What went through the port on a part of a swing. */
const tallySchema = z.object({
  inWh: z.number(),
  outWh: z.number(),
  solarWh: z.number(),
  activeMs: z.number(),
  /** What the gauge moved while the unit rested. */
  restPoints: z.number(),
  coveredMs: z.number(),
  gapMs: z.number(),
});

const swingSchema = z.object({ atMs: z.number(), points: z.number(), whPerPoint: z.number() });

const schema = z.object({
  lastPct: z.number().nullable(),
  rising: z.boolean(),
  /** Where the present swing began, and the farthest it has come. */
  fromPct: z.number(),
  farPct: z.number(),
  farMs: z.number(),
  /** From its beginning to its farthest point ... */
  swing: tallySchema,
  /** ... and what came after that, which is part of it only if it goes on. */
  power: energySchema,
  solarWh: z.number(),
  activeMs: z.number(),
  restPoints: z.number(),
  charge: swingSchema.nullable(),
  discharge: swingSchema.nullable(),
});

type State = z.infer<typeof schema>;
type Tally = z.infer<typeof tallySchema>;

export const batteryEnergyMismatch = defineDetector({
  kind: 'battery-energy-mismatch',
  thresholds: {
    swingPct: {
      default: 30,
      unit: '%EL',
      min: 10,
      max: 90,
      source: 'common practice: a gauge step is then 3 % of it',
    },
    leastCapacityPct: {
      default: 80,
      unit: '%',
      min: 30,
      max: 99,
      source: 'IEEE 1188: replace at 80 % of capacity (from memory)',
    },
    mostCapacityPct: {
      default: 115,
      unit: '%',
      min: 101,
      max: 300,
      source: 'common practice: beyond any reserve a maker leaves',
    },
    leastRoundTripPct: {
      default: 70,
      unit: '%',
      min: 30,
      max: 95,
      source: 'common practice: household units reach 80 to 92 %',
    },
    deadbandPct: {
      default: 3,
      unit: '%',
      min: 0,
      max: 20,
      source: 'common practice: the accuracy of one swing',
    },
  },
  wants: ['battery'],
  readingsOf: (device) => [device],
  delays: () => ({ onDelayMs: 0, offDelayMs: 0 }),
  subjects: (site) => site.batteries.map((battery) => battery.device),
  state: schema,
  start: () => ({
    lastPct: null,
    rising: true,
    fromPct: 0,
    farPct: 0,
    farMs: 0,
    swing: emptyTally(),
    power: emptyEnergyCount(),
    solarWh: 0,
    activeMs: 0,
    restPoints: 0,
    charge: null,
    discharge: null,
  }),
  observe(event, { subject, state, view, values }): Verdict | undefined {
    if (event.kind !== 'battery') return undefined;
    const { socPct, acW, at } = event;
    if (socPct === null || acW === null) return undefined;
    const battery = batteryOf(view.site, subject);
    count(state, event, socPct, acW, 1000 * (event.periodS ?? battery.periodSeconds));
    if (!turns(state, socPct, at)) return undefined;

    // The swing that has just ended runs from `fromPct` to `farPct`; the next one begins where it turned.
    const ended = endOf(state, values.swingPct);
    begin(state, state.farPct, socPct, at);
    state.rising = !state.rising;
    if (ended === undefined) return undefined;
    if (state.rising) state.discharge = ended;
    else state.charge = ended;
    const { charge, discharge } = state;
    if (charge === null || discharge === null || Math.abs(charge.atMs - discharge.atMs) > COMPARABLE_MS) {
      return { is: 'unknown', why: 'no charge and discharge to compare' };
    }

    const capacityPct = (10_000 * Math.sqrt(charge.whPerPoint * discharge.whPerPoint)) / battery.capacityWh;
    const roundTripPct = (100 * discharge.whPerPoint) / charge.whPerPoint;
    const { leastCapacityPct, mostCapacityPct, leastRoundTripPct, deadbandPct } = values;
    const beyond = Math.max(
      leastCapacityPct - capacityPct,
      capacityPct - mostCapacityPct,
      leastRoundTripPct - roundTripPct,
    );
    if (beyond <= -deadbandPct) return ABSENT;
    if (beyond <= 0) return { is: 'unknown', why: 'within the deadband' };
    const lossy = roundTripPct < leastRoundTripPct;
    const fromMs = Math.min(charge.atMs, discharge.atMs);
    const usableWh = (battery.capacityWh * capacityPct) / 100;
    return {
      is: 'present',
      sinceMs: fromMs,
      confidence: 1,
      facts: {
        capacityPct: rounded(capacityPct),
        usableWh: rounded(usableWh),
        registeredWh: battery.capacityWh,
        roundTripPct: rounded(roundTripPct),
        lossy,
      },
      evidence: () => ({
        fromMs: fromMs - DAY_MS,
        toMs: at,
        series: [`${subject} soc`, `${subject} ac.p`],
        figures: [
          {
            label: 'Usable capacity',
            value: rounded(usableWh),
            unit: 'Wh',
            source: `${subject} ac.p against soc`,
          },
          { label: 'Of the registered', value: rounded(capacityPct), unit: '%', source: 'site registration' },
          {
            label: 'Round-trip efficiency',
            value: rounded(roundTripPct),
            unit: '%',
            source: `${subject} ac.p against soc`,
          },
          {
            label: 'Into it for one point',
            value: rounded(charge.whPerPoint, 1),
            unit: 'Wh',
            source: `a charge by ${rounded(charge.points)} points`,
          },
          {
            label: 'Out of it for one point',
            value: rounded(discharge.whPerPoint, 1),
            unit: 'Wh',
            source: `a discharge by ${rounded(discharge.points)} points`,
          },
        ],
      }),
    };
  },
  words: ({ subject, facts }) => ({
    headline:
      facts['lossy'] === true
        ? `${subject} gives back ${facts['roundTripPct']} % of what it takes.`
        : `${subject} holds ${facts['usableWh']} Wh between full and empty, ${facts['capacityPct']} % of the ${facts['registeredWh']} Wh it is registered with.`,
    explanation:
      facts['lossy'] === true
        ? 'Household units give back 80 to 92 %. What is missing turns into heat, in the unit or in its circuit, or a power reading is wrong.'
        : 'The energy for one point of its gauge does not fit the capacity: the cells have aged or one of their strings is out, the gauge is off, or the registration is wrong.',
    steps: [
      'Compare the registered capacity with the unit’s data sheet.',
      'Let it charge to full and rest there, so that its gauge finds its anchor again, and compare anew.',
      facts['lossy'] === true
        ? 'Compare its own power with the meter’s inlet channel; see whether it or its plug gets hot.'
        : 'Ask the maker for a capacity test under its warranty.',
    ],
    caution: null,
    homeowner: null,
  }),
});

function count(
  state: State,
  { at, pvW }: BatteryReading,
  socPct: number,
  acW: number,
  periodMs: number,
): void {
  const { power, lastPct } = state;
  const coveredMs = power.coveredMs;
  const powerW = Math.abs(acW) < STANDBY_W ? 0 : acW;
  advanceEnergy(power, at, powerW, Math.max(LEAST_PERIOD_MS, periodMs));
  const stepMs = power.coveredMs - coveredMs;
  state.solarWh += ((pvW ?? 0) * stepMs) / HOUR_MS;
  if (powerW !== 0) state.activeMs += stepMs;
  else if (lastPct !== null) state.restPoints += Math.abs(socPct - lastPct);
}

/** Follows the gauge. True when it has turned: the swing so far ended at its farthest point. */
function turns(state: State, socPct: number, at: number): boolean {
  const { rising, farPct, lastPct } = state;
  state.lastPct = socPct;
  if (lastPct === null || Math.abs(socPct - lastPct) > JUMP_PCT) {
    takeTally(state);
    begin(state, socPct, socPct, at);
    state.swing = emptyTally();
    return false;
  }
  if (rising ? socPct > farPct : socPct < farPct) {
    state.farPct = socPct;
    state.farMs = at;
    addTally(state.swing, takeTally(state));
    return false;
  }
  return rising ? socPct <= farPct - TURN_PCT : socPct >= farPct + TURN_PCT;
}

/** A swing begins where the last one turned; what was counted since then is its first part. */
function begin(state: State, fromPct: number, farPct: number, farMs: number): void {
  state.fromPct = fromPct;
  state.farPct = farPct;
  state.farMs = farMs;
  state.swing = takeTally(state);
}

/** The swing up to its farthest point, when it is wide and clean enough to be judged. */
function endOf(state: State, leastPoints: number): z.infer<typeof swingSchema> | undefined {
  const points = Math.abs(state.farPct - state.fromPct);
  if (points < leastPoints) return undefined;
  const { rising, farMs } = state;
  const { inWh, outWh, solarWh, activeMs, restPoints, coveredMs, gapMs } = state.swing;
  const [alongWh, againstWh] = rising ? [inWh, outWh] : [outWh, inWh];
  const activeH = activeMs / HOUR_MS;
  const clean =
    againstWh <= MOST_AGAINST * alongWh &&
    solarWh <= MOST_SOLAR * alongWh &&
    gapMs <= MOST_GAP * (gapMs + coveredMs) &&
    activeH > 0 &&
    alongWh >= LEAST_MEAN_W * activeH &&
    restPoints <= MOST_AT_REST * points;
  if (!clean) return undefined;
  // What the inverter takes for itself is no loss of the cells.
  const idleWh = IDLE_W * activeH;
  const wh = rising ? inWh - outWh - idleWh : outWh - inWh + idleWh;
  return { atMs: farMs, points: rounded(points, 1), whPerPoint: rounded(wh / points, 2) };
}

function emptyTally(): Tally {
  return { inWh: 0, outWh: 0, solarWh: 0, activeMs: 0, restPoints: 0, coveredMs: 0, gapMs: 0 };
}

/** Takes the counts out of the state, which goes on counting from nothing. */
function takeTally(state: State): Tally {
  const { power, solarWh, activeMs, restPoints } = state;
  const { positiveWh, negativeWh, coveredMs, gapMs } = power;
  power.positiveWh = 0;
  power.negativeWh = 0;
  power.coveredMs = 0;
  power.gapMs = 0;
  state.solarWh = 0;
  state.activeMs = 0;
  state.restPoints = 0;
  return { inWh: positiveWh, outWh: negativeWh, solarWh, activeMs, restPoints, coveredMs, gapMs };
}

function addTally(to: Tally, more: Tally): void {
  to.inWh = rounded(to.inWh + more.inWh, 3);
  to.outWh = rounded(to.outWh + more.outWh, 3);
  to.solarWh = rounded(to.solarWh + more.solarWh, 3);
  to.activeMs += more.activeMs;
  to.restPoints = rounded(to.restPoints + more.restPoints, 1);
  to.coveredMs += more.coveredMs;
  to.gapMs += more.gapMs;
}
