// Readings of a device get lost on the way, here and there, though it is heard: a weak radio, a full queue, a
// gateway that restarts. Its counter `seq` tells how many.
// Easily confused with: a counter that begins anew after a restart, a gap of many minutes (device-silent),
// readings that come late (they fill the gap, so a gap wide enough to be filled counts some minutes later; of a
// clock that was set back they come before the gap is seen), one
// short break of the connection (two gaps at least), and chance: some loss is normal, so it must be more than
// 1 % beyond doubt.

import type { Reading, Site } from '@afterwatt/wire';
import { z } from 'zod';
import { ABSENT, defineDetector, type Verdict } from '../detector.ts';
import { GAP_PERIODS } from '../hold.ts';
import { rounded } from '../wording.ts';

const MINUTE_MS = 60_000;
const HOUR_MS = 60 * MINUTE_MS;
const QUARTER_MS = 15 * MINUTE_MS;
/** A gap of more than this, and than so many periods, is a silence, not a loss. */
const SILENCE_MS = 5 * MINUTE_MS;
const SILENCE_PERIODS = 5;
/** Quarters kept: those before the running one make an hour with it. */
const KEPT = 4;
/** What is older fades by this each quarter: six hours' memory. */
const FADES = 23 / 24;
/** Separate gaps in the hour, and in the six: one break of the connection is no loss. */
const LEAST_GAPS = 2;
const LEAST_LONG_GAPS = 6;
/** Fewer than this are left of gaps of the past: the next one is the first. */
const FORGOTTEN_GAPS = 0.5;
/** How far above the allowed share it must be, in standard deviations of chance (Poisson): once in 700. */
const SIGMAS = 3;
/** Readings that come later than this are told by their number only, every 5 min: a wider gap waits for that ... */
const PROMPT_MS = 20_000;
const SETTLED_MS = 6 * MINUTE_MS;
/** ... and any gap of a device of which some came late so lately. */
const LATE_MS = 6 * HOUR_MS;
/** Late readings for which no gap was seen yet are those of one that is seen within so long. */
const AHEAD_MS = 15 * MINUTE_MS;
/** Readings that the usual time between two looks back on. */
const PERIOD_READINGS = 8;
/** Of an hour so much must have been heard before it clears. */
const LEAST_HEARD = 0.5;

const counts = z.array(z.number()).max(KEPT);
const schema = z.object({
  lastMs: z.number(),
  lastSeq: z.number().nullable(),
  /** Usual time from one count to the next, ms; 0 while it is not known. */
  periodMs: z.number(),
  quarter: z.number(),
  /** By quarter of an hour, the newest last: readings that came, that did not, and gaps between those that did. */
  came: counts,
  missing: counts,
  gaps: counts,
  /** Gaps that late readings may fill yet: since when, and the same counts. */
  openMs: z.number(),
  openMissing: z.number(),
  openGaps: z.number(),
  /** Until when late readings are to be expected. */
  lateUntilMs: z.number(),
  /** Late readings that filled no gap that was seen, and until when they are those of one that is seen yet. */
  ahead: z.number(),
  aheadUntilMs: z.number(),
  /** Since when gaps have come that are not forgotten yet; 0 while there are none. */
  gapsSinceMs: z.number(),
  /** The same of the hours before, fading. */
  longCame: z.number(),
  longMissing: z.number(),
  longGaps: z.number(),
});

type State = z.infer<typeof schema>;

export const readingsLost = defineDetector({
  kind: 'readings-lost',
  thresholds: {
    lostPct: {
      default: 1,
      unit: '%',
      min: 0.1,
      max: 50,
      source: 'common practice: at QoS 1 next to nothing is lost',
    },
    clearPct: { default: 0.5, unit: '%', min: 0, max: 50, source: 'half of the limit' },
  },
  wants: ['meter', 'battery', 'lags', 'tick'],
  readingsOf: (device) => [device],
  delays: () => ({ onDelayMs: 0, offDelayMs: 0 }),
  subjects: (site) => [site.meter.device, ...site.batteries.map((battery) => battery.device)],
  about: registeredPeriodS,
  state: schema,
  start: () => ({
    lastMs: 0,
    lastSeq: null,
    periodMs: 0,
    quarter: 0,
    came: [0],
    missing: [0],
    gaps: [0],
    openMs: 0,
    openMissing: 0,
    openGaps: 0,
    lateUntilMs: 0,
    ahead: 0,
    aheadUntilMs: 0,
    gapsSinceMs: 0,
    longCame: 0,
    longMissing: 0,
    longGaps: 0,
  }),
  observe(event, { subject, about: periodS = 0, state, view, values }): Verdict | undefined {
    switch (event.kind) {
      case 'lags':
        hearLate(state, event.late[subject] ?? 0, view.nowMs);
        return undefined;
      case 'tick': {
        if (state.lastSeq === null) return undefined;
        const turned = turnTo(state, event.at);
        return settle(state, event.at) || turned
          ? judge(subject, state, values, event.at, turned)
          : undefined;
      }
      case 'meter':
      case 'battery': {
        if (event.seq === null) return undefined;
        const turned = turnTo(state, event.at);
        const settled = settle(state, event.at);
        const lost = count(state, event, event.seq, 1000 * (event.periodS ?? periodS));
        return turned || settled || lost ? judge(subject, state, values, event.at, turned) : undefined;
      }
      case 'state':
      case 'storm':
      case 'mended':
      case 'deaf':
        return undefined;
    }
  },
  words: ({ subject, facts }) => ({
    headline: `${facts['lostPct']} % of the readings of ${subject} were lost within ${facts['hours']} h.`,
    explanation: `Its counter shows ${facts['missing']} readings that never came, in several gaps, though it was heard all along.`,
    steps: [
      'See how strong its radio is, and move the access point or the device’s antenna.',
      'See whether a gateway on the way restarts, or its queue overflows.',
      'Let the device publish with QoS 1 and keep what was not acknowledged.',
    ],
    caution: null,
    homeowner: null,
  }),
});

function registeredPeriodS(device: string, { batteries, meter }: Site): number {
  return batteries.find((battery) => battery.device === device)?.periodSeconds ?? meter.periodSeconds;
}

/** @returns whether something is now known to be lost */
function count(state: State, { at }: Reading, seq: number, registeredMs: number): boolean {
  const { lastMs, lastSeq } = state;
  add(state.came, 1);
  if (lastSeq !== null && at <= lastMs) {
    // Out of its place: it had been counted as missing.
    if (seq < lastSeq) fill(state, 1);
    return false;
  }
  state.lastMs = at;
  state.lastSeq = seq;
  if (state.periodMs === 0) state.periodMs = registeredMs;
  const sinceMs = at - lastMs;
  if (lastSeq === null || sinceMs > Math.max(SILENCE_MS, SILENCE_PERIODS * state.periodMs)) return false;
  let skipped = seq - lastSeq - 1;
  if (skipped === 0) state.periodMs = rounded(state.periodMs + (sinceMs - state.periodMs) / PERIOD_READINGS);
  // A counter that went back, or further than time allows, began anew.
  const possible = 2 * (sinceMs / state.periodMs) + 2;
  if (skipped <= 0 || skipped > possible) return false;
  if (at <= state.aheadUntilMs) {
    const came = Math.min(skipped, state.ahead);
    state.ahead -= came;
    skipped -= came;
    if (skipped === 0) return false;
  }
  if (sinceMs <= Math.max(PROMPT_MS, GAP_PERIODS * state.periodMs) && at > state.lateUntilMs) {
    countLost(state, skipped, 1, lastMs);
    return true;
  }
  if (state.openMs === 0) state.openMs = at;
  state.openMissing += skipped;
  state.openGaps += 1;
  return false;
}

/** What was open for long enough will not be filled any more. @returns whether that changed anything */
function settle(state: State, at: number): boolean {
  if (state.openMs === 0 || at - state.openMs < SETTLED_MS) return false;
  countLost(state, state.openMissing, state.openGaps, state.openMs);
  state.openMs = 0;
  state.openMissing = 0;
  state.openGaps = 0;
  return true;
}

function countLost(state: State, missing: number, gaps: number, sinceMs: number): void {
  if (sum(state.gaps) + state.longGaps < FORGOTTEN_GAPS) state.gapsSinceMs = sinceMs;
  add(state.missing, missing);
  add(state.gaps, gaps);
}

function hearLate(state: State, readings: number, nowMs: number): void {
  if (readings === 0) return;
  state.lateUntilMs = nowMs + LATE_MS;
  if (nowMs > state.aheadUntilMs) state.ahead = 0;
  state.ahead += fill(state, readings);
  state.aheadUntilMs = nowMs + AHEAD_MS;
}

/** Late readings fill the newest gaps first. @returns those for which there was no gap */
function fill(state: State, readings: number): number {
  let left = readings - state.openMissing;
  if (left < 0) {
    state.openMissing -= readings;
    return 0;
  }
  state.openMs = 0;
  state.openMissing = 0;
  state.openGaps = 0;
  for (let i = state.missing.length - 1; i >= 0 && left > 0; i -= 1) {
    const filled = Math.min(left, state.missing[i] ?? 0);
    state.missing[i] = (state.missing[i] ?? 0) - filled;
    state.gaps[i] = Math.min(state.gaps[i] ?? 0, state.missing[i] ?? 0);
    left -= filled;
  }
  return left;
}

function add(quarters: number[], more: number): void {
  quarters[quarters.length - 1] = (quarters.at(-1) ?? 0) + more;
}

/** @returns whether a new quarter of an hour has begun */
function turnTo(state: State, at: number): boolean {
  const quarter = Math.floor(at / QUARTER_MS);
  if (quarter <= state.quarter) return false;
  const passed = state.quarter === 0 ? 1 : Math.min(6 * KEPT, quarter - state.quarter);
  for (let i = 0; i < passed; i += 1) {
    state.came.push(0);
    state.missing.push(0);
    state.gaps.push(0);
    if (state.came.length <= KEPT) continue;
    state.longCame = rounded(state.longCame * FADES + (state.came.shift() ?? 0), 1);
    state.longMissing = rounded(state.longMissing * FADES + (state.missing.shift() ?? 0), 2);
    state.longGaps = rounded(state.longGaps * FADES + (state.gaps.shift() ?? 0), 2);
  }
  state.quarter = quarter;
  return true;
}

function judge(
  subject: string,
  { came, missing, gaps, longCame, longMissing, longGaps, periodMs, gapsSinceMs }: State,
  { lostPct, clearPct }: { lostPct: number; clearPct: number },
  at: number,
  turned: boolean,
): Verdict | undefined {
  const hourCame = sum(came);
  const hourMissed = sum(missing);
  const usual = HOUR_MS / periodMs;
  const hour = { expected: Math.max(usual, hourCame + hourMissed), missed: hourMissed, hours: 1 };
  const longMissed = longMissing + hourMissed;
  const long = { expected: Math.max(usual, longCame + hourCame + longMissed), missed: longMissed, hours: 6 };
  const found =
    sum(gaps) >= LEAST_GAPS && isBeyondChance(hour, lostPct)
      ? hour
      : longGaps + sum(gaps) >= LEAST_LONG_GAPS && isBeyondChance(long, lostPct)
        ? long
        : undefined;
  if (found === undefined) {
    if (!turned || hourCame < LEAST_HEARD * usual) return undefined;
    const fewLost = (100 * hourMissed) / (hourCame + hourMissed) < clearPct;
    return fewLost ? ABSENT : { is: 'unknown', why: 'neither much nor little' };
  }
  const sinceMs = Math.max(gapsSinceMs, at - found.hours * HOUR_MS);
  const missed = rounded(found.missed);
  const expected = rounded(found.expected);
  const sharePct = rounded((100 * found.missed) / found.expected, 1);
  return {
    is: 'present',
    sinceMs,
    confidence: 1,
    facts: { lostPct: sharePct, hours: found.hours, missing: missed },
    evidence: () => ({
      fromMs: sinceMs,
      toMs: at,
      series: [`${subject} seq`, `${subject} rssi`],
      figures: [
        { label: 'Readings lost', value: missed, unit: '', source: `${subject} seq` },
        { label: 'Of', value: expected, unit: '', source: `${subject} seq` },
        { label: 'Share', value: sharePct, unit: '%', source: `${subject} seq` },
        { label: 'Allowed', value: lostPct, unit: '%', source: 'threshold: common practice' },
      ],
    }),
  };
}

function isBeyondChance(
  { expected, missed }: { expected: number; missed: number },
  lostPct: number,
): boolean {
  const allowed = (lostPct / 100) * expected;
  return missed > allowed + SIGMAS * Math.sqrt(allowed);
}

function sum(values: readonly number[]): number {
  return values.reduce((total, value) => total + value, 0);
}
