// Readings of a device get lost on the way, here and there, though it is heard: a weak radio, a full queue, a
// gateway that restarts. Its counter `seq` tells how many.
// Easily confused with: a counter that begins anew after a restart, a gap of many minutes (device-silent),
// readings that come late (they fill the gap), one short break of the connection, and chance: some loss is
// normal, so it must be more than 1 % beyond doubt, and spread over time.

import type { Reading } from '@afterwatt/wire';
import { z } from 'zod';
import { ABSENT, defineDetector, type Verdict } from '../detector.ts';
import { rounded } from '../wording.ts';

const MINUTE_MS = 60_000;
const QUARTER_MS = 15 * MINUTE_MS;
/** A gap of more than this is a silence, not a loss. */
const SILENCE_MS = 5 * MINUTE_MS;
/** Quarters kept: an hour, the newest one, which late readings may fill, and the one that is running. */
const KEPT = 6;
const HOUR_QUARTERS = 4;
/** Of an hour's quarters so many must have lost something: one break of the connection is no loss. */
const LEAST_QUARTERS = 3;
/** What is older fades by this each quarter: six hours' memory, of which half the quarters must have lost. */
const FADES = 23 / 24;
const LEAST_LONG_QUARTERS = 12;
/** How far above the allowed share it must be, in standard deviations of chance (Poisson): once in 30,000. */
const SIGMAS = 4;

const schema = z.object({
  lastMs: z.number(),
  lastSeq: z.number().nullable(),
  quarter: z.number(),
  /** By quarter of an hour, the newest last: readings that came, and that did not. */
  came: z.array(z.number()).max(KEPT),
  missing: z.array(z.number()).max(KEPT),
  /** The same of the hours before, fading, and in how many quarters something was lost. */
  longCame: z.number(),
  longMissing: z.number(),
  longQuarters: z.number(),
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
  wants: ['meter', 'battery', 'lags'],
  ownReadingsOnly: true,
  delays: () => ({ onDelayMs: 0, offDelayMs: 0 }),
  subjects: (site) => [site.meter.device, ...site.batteries.map((battery) => battery.device)],
  state: schema,
  start: () => ({
    lastMs: 0,
    lastSeq: null,
    quarter: 0,
    came: [0],
    missing: [0],
    longCame: 0,
    longMissing: 0,
    longQuarters: 0,
  }),
  observe({ subject, state, event, view, values }): Verdict | undefined {
    if (event.kind === 'lags') {
      fill(state, event.late[subject] ?? 0);
      return undefined;
    }
    if (event.kind !== 'meter' && event.kind !== 'battery') return undefined;
    if (event.seq === null) return undefined;
    const quarter = Math.floor(event.at / QUARTER_MS);
    const turned = quarter > state.quarter;
    if (turned) turnTo(state, quarter);
    const battery = view.site.batteries.find(({ device }) => device === subject);
    const periodMs = 1000 * (event.periodS ?? battery?.periodSeconds ?? view.site.meter.periodSeconds);
    count(state, event, event.seq, periodMs);
    return turned ? judge(subject, state, values, event.at) : undefined;
  },
  words: ({ subject, facts }) => ({
    headline: `${facts['lostPct']} % of the readings of ${subject} were lost within ${facts['hours']} h.`,
    explanation: `Its counter shows ${facts['missing']} readings that never came, spread over the time, though it was heard all along.`,
    steps: [
      'See how strong its radio is, and move the access point or the device’s antenna.',
      'See whether a gateway on the way restarts, or its queue overflows.',
      'Let the device publish with QoS 1 and keep what was not acknowledged.',
    ],
    caution: null,
    homeowner: null,
  }),
});

function count(state: State, { at }: Reading, seq: number, periodMs: number): void {
  const { lastMs, lastSeq } = state;
  add(state.came, 1);
  if (lastSeq !== null && at <= lastMs) {
    // Out of its place: it had been counted as missing.
    if (seq < lastSeq) fill(state, 1);
    return;
  }
  state.lastMs = at;
  state.lastSeq = seq;
  if (lastSeq === null || at - lastMs > SILENCE_MS) return;
  const skipped = seq - lastSeq - 1;
  // A counter that went back, or further than time allows, began anew.
  const possible = 2 * ((at - lastMs) / periodMs) + 2;
  if (skipped > 0 && skipped <= possible) add(state.missing, skipped);
}

/** Late readings fill the newest gaps first. */
function fill(state: State, readings: number): void {
  let left = readings;
  for (let i = state.missing.length - 1; i >= 0 && left > 0; i -= 1) {
    const filled = Math.min(left, state.missing[i] ?? 0);
    state.missing[i] = (state.missing[i] ?? 0) - filled;
    left -= filled;
  }
}

function add(quarters: number[], more: number): void {
  quarters[quarters.length - 1] = (quarters.at(-1) ?? 0) + more;
}

function turnTo(state: State, quarter: number): void {
  const passed = state.quarter === 0 ? 1 : Math.min(4 * KEPT, quarter - state.quarter);
  for (let i = 0; i < passed; i += 1) {
    state.came.push(0);
    state.missing.push(0);
    if (state.came.length <= KEPT) continue;
    const came = state.came.shift() ?? 0;
    const missing = state.missing.shift() ?? 0;
    state.longCame = rounded(state.longCame * FADES + came, 1);
    state.longMissing = rounded(state.longMissing * FADES + missing, 2);
    state.longQuarters = rounded(state.longQuarters * FADES + (missing > 0 ? 1 : 0), 2);
  }
  state.quarter = quarter;
}

function judge(
  subject: string,
  { came, missing, longCame, longMissing, longQuarters }: State,
  { lostPct, clearPct }: { lostPct: number; clearPct: number },
  at: number,
): Verdict | undefined {
  const hourCame = sum(came.slice(0, HOUR_QUARTERS));
  const hourLost = missing.slice(0, HOUR_QUARTERS);
  const hour = { came: hourCame, missed: sum(hourLost), hours: 1 };
  const long = { came: longCame, missed: longMissing, hours: 6 };
  const inHour = hourLost.filter((n) => n > 0).length >= LEAST_QUARTERS;
  const found =
    inHour && isBeyondChance(hour, lostPct)
      ? hour
      : longQuarters >= LEAST_LONG_QUARTERS && isBeyondChance(long, lostPct)
        ? long
        : undefined;
  if (found === undefined) {
    if (hourCame === 0) return undefined;
    const fewLost = (100 * hour.missed) / (hourCame + hour.missed) < clearPct;
    return fewLost ? ABSENT : { is: 'unknown', why: 'neither much nor little' };
  }
  const expected = found.came + found.missed;
  const toMs = at - 2 * QUARTER_MS;
  const sinceMs = toMs - found.hours * HOUR_QUARTERS * QUARTER_MS;
  const sharePct = rounded((100 * found.missed) / expected, 1);
  const missed = rounded(found.missed);
  return {
    is: 'present',
    sinceMs,
    confidence: 1,
    facts: { lostPct: sharePct, hours: found.hours, missing: missed },
    evidence: () => ({
      fromMs: sinceMs,
      toMs,
      series: [`${subject} seq`, `${subject} rssi`],
      figures: [
        { label: 'Readings lost', value: missed, unit: '', source: `${subject} seq` },
        { label: 'Of', value: rounded(expected), unit: '', source: `${subject} seq` },
        { label: 'Share', value: sharePct, unit: '%', source: `${subject} seq` },
        { label: 'Allowed', value: lostPct, unit: '%', source: 'threshold: common practice' },
      ],
    }),
  };
}

function isBeyondChance({ came, missed }: { came: number; missed: number }, lostPct: number): boolean {
  const allowed = (lostPct / 100) * (came + missed);
  return missed > allowed + SIGMAS * Math.sqrt(allowed);
}

function sum(values: readonly number[]): number {
  return values.reduce((total, value) => total + value, 0);
}
