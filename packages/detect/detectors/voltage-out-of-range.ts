// The service voltage of a leg lies outside where ANSI C84.1 wants it: range A as 10 min values, range B at
// once when it lasts a minute. The limits are for sustained voltage, so a dip or a swell (IEEE 1159) is none.
// Easily confused with: an outage and the voltage that a battery makes of its own (the service rule does not
// apply), a loose neutral (one leg up, the other down: told as that, and this is suppressed), and a voltage that
// wanders about a limit (deadband; ISA-18.2 starts at 2 %, here 1 V, because range A is only 12 V wide).

import {
  addRms,
  aggregatedRmsV,
  type ServiceVoltageLimits,
  serviceVoltageLimits,
} from '@afterwatt/electrical';
import type { MeterReading } from '@afterwatt/wire';
import { z } from 'zod';
import { ABSENT, defineDetector, type Facts, type Verdict, type Words } from '../detector.ts';
import { holdSchema, observeHold, startHold } from '../hold.ts';
import type { SiteView } from '../site-view.ts';
import { rounded } from '../wording.ts';

const MINUTE_MS = 60_000;
/** IEC 61000-4-30: aggregates of 10 min, aligned to the UTC clock. */
const INTERVAL_MS = 10 * MINUTE_MS;
/** A reading speaks for no more than this, or its own period. */
const LONGEST_SPAN_MS = MINUTE_MS;
/** The least above a limit that is above it. */
const ABOVE = 1 + 1e-9;
/** Below this share of nominal nothing is delivered: IEEE 1159-2009 table 2, interruption. */
const INTERRUPTED_PU = 0.1;

const stateSchema = z.object({
  /** The interval at hand: start, and its mean square so far. */
  intervalMs: z.number(),
  aggregate: z.object({ squareVS: z.number(), durationS: z.number() }),
  /** Distance beyond range B, as a share of its limit. */
  beyondB: holdSchema,
  /** The range left, and since when; null while it is in range A. */
  left: z.enum(['A', 'B']).nullable(),
  sinceMs: z.number(),
  /** Of range A the farthest 10 min value since then, of range B what it was decided on. */
  decidedV: z.number(),
  lastMeanV: z.number().nullable(),
});
type State = z.infer<typeof stateSchema>;

export const voltageOutOfRange = defineDetector({
  kind: 'voltage-out-of-range',
  thresholds: {
    sustainedSeconds: {
      default: 60,
      unit: 's',
      min: 5,
      max: 3600,
      source: 'IEEE 1159-2009 table 2: longer than 1 min is sustained',
    },
    deadbandV: { default: 1, unit: 'V', min: 0, max: 5, source: 'own judgement: a twelfth of range A' },
    clearMinutes: {
      default: 60,
      unit: 'min',
      min: 0,
      max: 1440,
      source: 'own judgement: a voltage at its limit comes and goes with the load of the street',
    },
    leastCoverPct: {
      default: 50,
      unit: '%',
      min: 1,
      max: 100,
      source: 'own judgement: half of the interval has to be known',
    },
  },
  wants: ['meter'],
  delays: (values) => ({ onDelayMs: 0, offDelayMs: values.clearMinutes * MINUTE_MS }),
  subjects: () => ['L1', 'L2'],
  about: (_, site) => serviceVoltageLimits(site.service.nominalVolts),
  state: stateSchema,
  start: () => ({
    intervalMs: 0,
    aggregate: { squareVS: 0, durationS: 0 },
    beyondB: startHold(),
    left: null,
    sinceMs: 0,
    decidedV: 0,
    lastMeanV: null,
  }),
  observe(event, { subject, about: limits, state, view, values }): Verdict | undefined {
    if (limits === undefined || event.kind !== 'meter') return undefined;
    const volts = subject === 'L1' ? event.l1V : event.l2V;
    if (volts === null) return undefined;
    const nominalV = view.site.service.nominalVolts;
    if (view.grid.present === false || volts < INTERRUPTED_PU * nominalV) {
      forgetInterval(state);
      return { is: 'unknown', why: 'the grid is away' };
    }
    const closed = takeReading(state, volts, event, view, values.leastCoverPct / 100);
    if (closed !== null) judgeInterval(state, closed, limits, values.deadbandV);
    judgeReading(state, volts, event.at, limits, values.sustainedSeconds * 1000);
    if (state.left !== null) return present(state, subject, event.at, view, limits);
    return closed === null ? undefined : ABSENT;
  },
  words: ({ subject, facts }) => words(subject, facts),
});

/** An interval with an outage in it is flagged and not judged (IEC 61000-4-30, from memory). */
function forgetInterval(state: State): void {
  state.aggregate.squareVS = 0;
  state.aggregate.durationS = 0;
  state.beyondB = startHold();
}

interface ClosedInterval {
  readonly startMs: number;
  readonly meanV: number;
}

/** Adds a reading to its interval; returns the interval before it, when that is over and known well enough. */
function takeReading(
  state: State,
  volts: number,
  meter: MeterReading,
  view: SiteView,
  leastCover: number,
): ClosedInterval | null {
  const periodMs = 1000 * (meter.periodS ?? view.site.meter.periodSeconds);
  let closed: ClosedInterval | null = null;
  if (meter.at >= state.intervalMs + INTERVAL_MS) {
    const meanV = aggregatedRmsV(state.aggregate);
    const known = state.aggregate.durationS * 1000 >= leastCover * INTERVAL_MS;
    if (meanV !== undefined && known) closed = { startMs: state.intervalMs, meanV };
    state.intervalMs = Math.floor(meter.at / INTERVAL_MS) * INTERVAL_MS;
    state.aggregate.squareVS = 0;
    state.aggregate.durationS = 0;
  }
  const sinceLastMs = state.beyondB.at === 0 ? periodMs : Math.max(0, meter.at - state.beyondB.at);
  addRms(state.aggregate, volts, Math.min(sinceLastMs, Math.max(periodMs, LONGEST_SPAN_MS)) / 1000);
  // Short in a checkpoint; a part in a thousand million is lost.
  state.aggregate.squareVS = rounded(state.aggregate.squareVS, 2);
  state.aggregate.durationS = rounded(state.aggregate.durationS, 3);
  return closed;
}

function judgeInterval(
  state: State,
  { startMs, meanV }: ClosedInterval,
  limits: ServiceVoltageLimits,
  deadbandV: number,
): void {
  state.lastMeanV = rounded(meanV, 3);
  const margin = state.left === null ? 0 : deadbandV;
  const inside = meanV <= limits.rangeAMaxV - margin && meanV >= limits.rangeAMinV + margin;
  if (inside) {
    state.left = null;
    return;
  }
  if (state.left === 'B') return;
  const middleV = (limits.rangeAMaxV + limits.rangeAMinV) / 2;
  if (state.left === null) state.sinceMs = startMs;
  else if (Math.abs(meanV - middleV) <= Math.abs(state.decidedV - middleV)) return;
  state.left = 'A';
  state.decidedV = rounded(meanV, 3);
}

function judgeReading(
  state: State,
  volts: number,
  atMs: number,
  { rangeBMaxV, rangeBMinV }: ServiceVoltageLimits,
  sustainedMs: number,
): void {
  const beyond = Math.max(volts / rangeBMaxV, rangeBMinV / volts);
  // Readings half a minute apart and closer are neighbours enough for a minute.
  observeHold(state.beyondB, atMs, beyond, MINUTE_MS / 2, ABOVE, ABOVE);
  if (state.beyondB.heldMs < sustainedMs || state.beyondB.readings < 2 || state.left === 'B') return;
  if (state.left === null) state.sinceMs = state.beyondB.sinceMs;
  state.left = 'B';
  state.decidedV = volts;
}

function present(
  state: State,
  subject: string,
  atMs: number,
  { site }: SiteView,
  limits: ServiceVoltageLimits,
): Verdict {
  const { sinceMs, lastMeanV } = state;
  const isB = state.left === 'B';
  const volts = rounded(state.decidedV, 1);
  const low = volts < site.service.nominalVolts;
  const aV = low ? limits.rangeAMinV : limits.rangeAMaxV;
  const bV = low ? limits.rangeBMinV : limits.rangeBMaxV;
  const channel = `${site.meter.device} ${subject.toLowerCase()}.v`;
  return {
    is: 'present',
    sinceMs,
    confidence: 1,
    facts: { volts, low, range: isB ? 'B' : 'A', limitV: rounded(isB ? bV : aV, 1) },
    evidence: () => ({
      fromMs: sinceMs - 60 * MINUTE_MS,
      toMs: atMs,
      series: [channel, `${site.meter.device} ${subject.toLowerCase()}.p`],
      figures: [
        {
          label: isB ? 'Voltage, for a minute' : 'Farthest 10 min value',
          value: volts,
          unit: 'V',
          source: channel,
        },
        { label: 'Range A', value: rounded(aV, 1), unit: 'V', source: 'ANSI C84.1 service voltage' },
        {
          label: 'Range B',
          value: rounded(bV, 1),
          unit: 'V',
          source: 'ANSI C84.1 service voltage (from memory)',
        },
        ...(lastMeanV === null
          ? []
          : [
              {
                label: 'Last 10 min value',
                value: rounded(lastMeanV, 1),
                unit: 'V',
                source: 'IEC 61000-4-30',
              },
            ]),
      ],
    }),
  };
}

function words(subject: string, facts: Facts): Words {
  const how = facts['low'] === true ? 'low' : 'high';
  const where = facts['low'] === true ? 'below' : 'above';
  return {
    headline: `The service voltage of ${subject} is too ${how}: ${facts['volts']} V, ${where} the ${facts['limitV']} V of range ${facts['range']}.`,
    explanation:
      facts['low'] === true
        ? 'Sustained low voltage makes motors and chargers draw more current and run hot. If only this leg sags, and with its own load, a service connection may be bad.'
        : 'Sustained high voltage shortens the life of lamps and electronics, and makes inverters cut out.',
    steps: [
      'Compare both legs: if they move together the cause is the utility’s, if they part look for a bad neutral or a bad connection of one leg.',
      'See whether it follows the house’s own load or generation.',
      'Report it to the utility with the 10 min values: it keeps its voltage within ANSI C84.1.',
    ],
    caution:
      'Do not measure in the panel to confirm it: that is work for a licensed electrician under the local code, and the line side is the utility’s and stays live with the main open.',
    homeowner: null,
  };
}
