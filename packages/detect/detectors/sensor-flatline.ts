// A quantity repeats to the last digit for half an hour although what it measures has moved: a converter that
// hangs, a register that is read but no longer written.
// Easily confused with: a voltage rounded to 0.1 V or coarser, a constant-power load, a quiet house at night, a
// leg with nothing on it (0 is no flat line: ct-no-signal), an outage. So a repeated value is no evidence by
// itself: another channel must have shown changes that it cannot but follow, or it must be one that has never
// stood still for long while its neighbour does not. A gauge of charge is held against the energy that has gone in
// or out. Other slow quantities (temp, settings) are no candidates.

import type { Reading } from '@afterwatt/wire';
import { z } from 'zod';
import { ABSENT, defineDetector, type Figure, type Verdict } from '../detector.ts';
import { type FlatlineCandidate, flatlineCandidates, isAtRest, sizedValue } from '../flatline-candidates.ts';
import type { SiteView } from '../site-view.ts';
import { PANEL_CAUTION, rounded, spanText } from '../wording.ts';

const MINUTE_MS = 60_000;
const HOUR_MS = 60 * MINUTE_MS;
const DAY_MS = 24 * HOUR_MS;
/** After a gap of so long a repeated value is another matter. */
const GAP_MS = 5 * MINUTE_MS;
/** Changes of a witness before they count as load changes: two loads on and off. */
const LEAST_CHANGES = 4;
const LEAST_READINGS = 10;
/** A quantity is lively if it never stood still for longer than this in a day and more. */
const LIVELY_MS = 5 * MINUTE_MS;
/** A voltage shows within this whether it is lively. */
const VOLTAGE_KNOWN_MS = 60 * MINUTE_MS;
/** The other leg's voltage moves if it changes in this share of the readings, and so often. */
const NEIGHBOUR_SHARE = 0.2;
const LEAST_NEIGHBOURED = 10;

/**
 * A gauge that never followed so often is no measurement: some devices send a figure that is set. The same holds for
 * the voltage of a unit at rest.
 */
const FOLLOWS = 5;

/** Short in a checkpoint: what moves with every reading, as nearly all does nearly always, is as at the start. */
const schema = z.object({
  /** Since when it stands still, and the readings that repeated it; 0 while it moves or is not to be judged. */
  sinceMs: z.number(),
  readings: z.number(),
  /** What the witnesses showed when they last counted as changed. */
  noted: z.tuple([z.number().nullable(), z.number().nullable()]),
  /** Changes of the witness that it must follow, and of its neighbour, since it stands still. */
  changes: z.tuple([z.number(), z.number()]),
  /** Of a charge: the energy that went in (+) or out since it stands still, Wh. */
  movedWh: z.number(),
  /** Times that it was seen to follow such energy, or of a port's voltage to move at rest, up to FOLLOWS. */
  followed: z.number(),
  /** What is missing of a day for which it is known, and the longest that it stood still before. */
  unknownMs: z.number(),
  longestMs: z.number(),
});
type State = z.infer<typeof schema>;

export const sensorFlatline = defineDetector({
  kind: 'sensor-flatline',
  thresholds: {
    flatMin: {
      default: 30,
      unit: 'min',
      min: 5,
      max: 1440,
      source: 'common practice: a house does not stand still for half an hour in which its loads switch',
    },
  },
  wants: ['meter', 'battery'],
  delays: () => ({ onDelayMs: 0, offDelayMs: MINUTE_MS }),
  readingsOf: (subject, site) => [flatlineCandidates(site).get(subject)?.device ?? ''],
  subjects: (site) => [...flatlineCandidates(site).keys()],
  about: (subject, site) => flatlineCandidates(site).get(subject),
  state: schema,
  start: (): State => ({
    sinceMs: 0,
    readings: 0,
    noted: [null, null],
    changes: [0, 0],
    movedWh: 0,
    followed: 0,
    unknownMs: DAY_MS,
    longestMs: 0,
  }),
  observe(event, { subject, about: candidate, state, view, values }): Verdict | undefined {
    if (candidate === undefined || (event.kind !== 'meter' && event.kind !== 'battery')) return undefined;
    const { before } = view;
    const value = view.grid.present === false ? null : sizedValue(candidate, event);
    const valueBefore = before === null ? null : sizedValue(candidate, before);
    if (value === null || valueBefore === null || before === null || event.at - before.at > GAP_MS) {
      endStand(state);
      return undefined;
    }
    const stepMs = event.at - before.at;
    const rests = candidate.isOfPort && isAtRest(event);
    if (value !== valueBefore) {
      noteFollowing(state, candidate, rests && isAtRest(before));
      noteMoved(state, event.at, stepMs);
      return ABSENT;
    }
    if (rests && state.followed < FOLLOWS) {
      endStand(state);
      return ABSENT;
    }
    noteRepeat(state, candidate, before.at, stepMs, view);
    const flatMs = event.at - state.sinceMs;
    if (flatMs < values.flatMin * MINUTE_MS || state.readings < LEAST_READINGS) return undefined;
    if (!isContradicted(candidate, state) || !candidate.isTrusted(view))
      return { is: 'unknown', why: 'nothing shows that it should have moved' };
    return present(subject, candidate, state, value, event);
  },
  words: ({ subject, facts }) => ({
    headline: `${subject} has repeated ${facts['value']} to the last digit for ${spanText(Number(facts['flatMs']))} while ${facts['charge'] === true ? 'energy went in or out' : 'loads changed'}.`,
    explanation: `${facts['charge'] === true ? 'So much energy went in or out that it must have moved.' : 'Other channels show changes that this one must follow.'} Its sensor or the register it is read from hangs, and what rests on it is not to be trusted.`,
    steps: [
      facts['battery'] === true
        ? 'Restart the unit from its own menu and see whether the value moves again.'
        : 'Restart the meter over its network interface, if it has one, and see whether the value moves again.',
      'See whether its firmware is up to date.',
      'If it hangs again, have the sensor or the device exchanged.',
    ],
    caution: facts['battery'] === true ? null : PANEL_CAUTION,
    homeowner: null,
  }),
});

/** Most quantities move with every reading: then no more than what is known of it is touched. */
function noteMoved(state: State, atMs: number, stepMs: number): void {
  noteKnown(state, stepMs);
  const stoodMs = state.sinceMs === 0 ? stepMs : atMs - state.sinceMs;
  // Forgets slowly, by half in 7,000 moves: what was once is not the measure for ever.
  state.longestMs = Math.max(Math.floor(0.9999 * state.longestMs), stoodMs);
  endStand(state);
}

function endStand(state: State): void {
  if (state.sinceMs === 0) return;
  state.sinceMs = 0;
  state.readings = 0;
  state.noted[0] = null;
  state.noted[1] = null;
  state.changes[0] = 0;
  state.changes[1] = 0;
  state.movedWh = 0;
}

function noteRepeat(
  state: State,
  candidate: FlatlineCandidate,
  beforeMs: number,
  stepMs: number,
  view: SiteView,
): void {
  noteKnown(state, stepMs);
  if (state.sinceMs === 0) state.sinceMs = beforeMs;
  state.readings += 1;
  if (candidate.moving !== null) state.movedWh += (candidate.moving.flowW(view) * stepMs) / HOUR_MS;
  note(state, 0, candidate.witness(view), candidate.witnessStep);
  note(state, 1, candidate.neighbour(view), candidate.neighbourStep);
}

function noteKnown(state: State, stepMs: number): void {
  if (state.unknownMs > 0) state.unknownMs = Math.max(0, state.unknownMs - stepMs);
}

/** A gauge that moved before the energy that moves any gauge had passed is one that follows. */
function noteFollowing(state: State, { moving }: FlatlineCandidate, restsStill: boolean): void {
  const movedWh = Math.abs(state.movedWh);
  const follows = moving === null ? restsStill : movedWh > 0 && movedWh < moving.leastWh;
  if (follows) state.followed = Math.min(FOLLOWS, state.followed + 1);
}

function note(state: State, which: 0 | 1, value: number | null, step: number): void {
  if (value === null) return;
  const noted = state.noted[which];
  if (noted !== null && Math.abs(value - noted) < step) return;
  if (noted !== null) state.changes[which] += 1;
  state.noted[which] = value;
}

function isContradicted(candidate: FlatlineCandidate, state: State): boolean {
  const [witnessed, neighboured] = state.changes;
  const { unknownMs, longestMs, readings } = state;
  if (candidate.moving !== null) {
    return state.followed >= FOLLOWS && Math.abs(state.movedWh) >= candidate.moving.leastWh;
  }
  if (candidate.measures === 'voltage') {
    // Both legs hang on one transformer: while one moves, the other cannot stand still.
    const neighbourMoves = neighboured >= Math.max(LEAST_NEIGHBOURED, NEIGHBOUR_SHARE * readings);
    const lively = unknownMs <= DAY_MS - VOLTAGE_KNOWN_MS && longestMs <= LIVELY_MS;
    // One that never moved is no measurement: some devices report their nominal voltage.
    return longestMs > 0 && neighbourMoves && (lively || witnessed >= LEAST_CHANGES);
  }
  const lively = unknownMs === 0 && longestMs > 0 && longestMs <= LIVELY_MS;
  return witnessed >= LEAST_CHANGES || (lively && neighboured >= LEAST_CHANGES);
}

function present(
  subject: string,
  { measures }: FlatlineCandidate,
  { sinceMs, changes, movedWh }: State,
  value: number,
  { at, kind }: Reading,
): Verdict {
  const flatMs = at - sinceMs;
  const [witnessed, neighboured] = changes;
  const charge = measures === 'charge';
  const figures: Figure[] = charge
    ? [
        {
          label: 'Energy that should have moved it',
          value: rounded(Math.abs(movedWh)),
          unit: 'Wh',
          source: 'ac.p',
        },
      ]
    : [
        { label: 'Changes it should have followed', value: witnessed, unit: '', source: 'other channels' },
        {
          label: 'Changes of its neighbour meanwhile',
          value: neighboured,
          unit: '',
          source: 'other channels',
        },
      ];
  return {
    is: 'present',
    sinceMs,
    confidence: 0.99,
    facts: { value: rounded(value, 2), flatMs, battery: kind === 'battery', charge },
    evidence: () => ({
      fromMs: sinceMs - 30 * MINUTE_MS,
      toMs: at,
      series: [subject],
      figures: [
        { label: 'Value that repeats', value, unit: '', source: subject },
        { label: 'Stands still for', value: spanText(flatMs), unit: '', source: subject },
        ...figures,
      ],
    }),
  };
}
