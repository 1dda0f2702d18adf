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
/** Quarters kept; judged are the last hour and the last six, less the newest one, which late readings may fill. */
const KEPT = 25;
const WINDOWS = [
  { quarters: 4, spread: 3 },
  { quarters: 24, spread: 12 },
] as const;
/** How far above the allowed share it must be, in standard deviations of chance (Poisson): once in 30,000. */
const SIGMAS = 4;

const schema = z.object({
  lastMs: z.number(),
  lastSeq: z.number().nullable(),
  quarter: z.number(),
  /** By quarter of an hour, the newest last: readings that came, and that did not. */
  came: z.array(z.number()).max(KEPT),
  missing: z.array(z.number()).max(KEPT),
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
  delays: () => ({ onDelayMs: 0, offDelayMs: 0 }),
  subjects: (site) => [site.meter.device, ...site.batteries.map((battery) => battery.device)],
  state: schema,
  start: () => ({ lastMs: 0, lastSeq: null, quarter: 0, came: [0], missing: [0] }),
  observe({ subject, state, event, view, values }): Verdict | undefined {
    if (event.kind === 'lags') {
      fill(state, event.late[subject] ?? 0);
      return undefined;
    }
    if ((event.kind !== 'meter' && event.kind !== 'battery') || event.device !== subject) return undefined;
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
  const passed = state.quarter === 0 ? KEPT : Math.min(KEPT, quarter - state.quarter);
  for (let i = 0; i < passed; i += 1) {
    state.came.push(0);
    state.missing.push(0);
  }
  state.came.splice(0, state.came.length - KEPT);
  state.missing.splice(0, state.missing.length - KEPT);
  state.quarter = quarter;
}

function judge(
  subject: string,
  { came, missing }: State,
  { lostPct, clearPct }: { lostPct: number; clearPct: number },
  at: number,
): Verdict | undefined {
  for (const { quarters, spread } of WINDOWS) {
    // The newest is empty yet, and late readings may fill the one before it.
    const lost = missing.slice(-2 - quarters, -2);
    const missed = sum(lost);
    const expected = sum(came.slice(-2 - quarters, -2)) + missed;
    const allowed = (lostPct / 100) * expected;
    const spreads = lost.filter((n) => n > 0).length >= spread;
    if (!spreads || missed <= allowed + SIGMAS * Math.sqrt(allowed)) continue;
    const toMs = at - QUARTER_MS;
    const sinceMs = toMs - quarters * QUARTER_MS;
    const sharePct = rounded((100 * missed) / expected, 1);
    return {
      is: 'present',
      sinceMs,
      confidence: 1,
      facts: { lostPct: sharePct, hours: quarters / 4, missing: missed },
      evidence: () => ({
        fromMs: sinceMs,
        toMs,
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
  const lastHour = sum(missing.slice(-6, -2));
  const heard = sum(came.slice(-6, -2));
  if (heard === 0) return undefined;
  return (100 * lastHour) / (heard + lastHour) < clearPct
    ? ABSENT
    : { is: 'unknown', why: 'neither much nor little' };
}

function sum(values: readonly number[]): number {
  return values.reduce((total, value) => total + value, 0);
}
