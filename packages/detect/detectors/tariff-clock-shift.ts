// A battery keeps the right schedule at the wrong time: all its switching of the last days matches the tariff
// when it is moved by a constant. One hour: a missed change to or from daylight saving time; several: a wrong
// time zone.
// Easily confused with: an owner's own timers, a battery that is empty before the peak ends, and storms and
// outages, in which no schedule is kept (left out). How the shift is found, and how sure it is, stands in
// @afterwatt/tariff; here its mean powers are gathered, and four days are asked before the whole week, so that a
// clock that has just changed is not outvoted by the days before.

import { findClockShift, SHIFT_BIN_MINUTES, STANDBY_W } from '@afterwatt/tariff';
import { z } from 'zod';
import { ABSENT, defineDetector, type Verdict } from '../detector.ts';
import { batteriesUnderTariff } from '../models/tariff-ledger.ts';
import type { SiteView } from '../site-view.ts';
import { spanText } from '../wording.ts';

const BIN_MS = SHIFT_BIN_MINUTES * 60_000;
const DAY_BINS = 96;
const WEEK_BINS = 7 * DAY_BINS;
const FEW_DAYS_BINS = 4 * DAY_BINS;
/** How often the shift is looked for, if the battery has switched since. */
const EVERY_BINS = DAY_BINS / 4;

/** A mean power as one character: below STANDBY_W the battery rests; from there each letter is twice as much. */
const BLANK = '-';
const REST = '.';
const CHARGING = 'ABCDEFGHIJ';
const FEEDING = CHARGING.toLowerCase();
const STEP = Math.log(2);

const schema = z.object({
  /** The bin that is being filled: whole bins since the Unix epoch; 0 before the first. */
  bin: z.number(),
  sumW: z.number(),
  readings: z.number(),
  /** A week and what follows it until the shift is looked for, run-length coded: '.40C12' rests for 40 bins, then charges for 12. */
  week: z.string().max(8 * WEEK_BINS),
});

export const tariffClockShift = defineDetector({
  kind: 'tariff-clock-shift',
  thresholds: {
    leastMin: {
      default: 30,
      unit: 'min',
      min: 15,
      max: 720,
      source: 'common practice: zones and daylight saving time differ by half hours at least',
    },
  },
  wants: ['battery'],
  readingsOf: (device) => [device],
  delays: () => ({ onDelayMs: 0, offDelayMs: 0 }),
  subjects: batteriesUnderTariff,
  state: schema,
  start: () => ({ bin: 0, sumW: 0, readings: 0, week: '' }),
  observe(event, { subject, state, view, values }): Verdict | undefined {
    if (event.kind !== 'battery') return undefined;
    const bin = Math.floor(event.at / BIN_MS);
    if (bin > state.bin) {
      const due = Math.floor(bin / EVERY_BINS) > Math.floor(state.bin / EVERY_BINS);
      turnTo(state, bin);
      if (due && hasSwitched(state)) return judge(subject, state, view, values.leastMin);
    }
    const scheduled =
      view.grid.present !== false && view.storm.open === null && event.stormPreparing !== true;
    if (bin !== state.bin || event.acW === null || !scheduled) return undefined;
    state.sumW += event.acW;
    state.readings += 1;
    return undefined;
  },
  words: ({ subject, facts }) => {
    const minutes = Number(facts['shiftMin']);
    const text = spanText(Math.abs(minutes) * 60_000);
    return {
      headline: `${subject} keeps its schedule ${text} too ${minutes > 0 ? 'late' : 'early'}: ${String(facts['cause'])}.`,
      explanation: `Its switching of the last days, ${facts['switchings']} times, matches the tariff when it is moved by ${text}. So it charges and feeds at the wrong prices every day.`,
      steps: [
        "Compare the unit's time zone and daylight saving setting with the site's.",
        'Set its clock, by network time where it can.',
        'See the next day whether it switches on time.',
      ],
      caution: null,
      homeowner: null,
    };
  },
});

type State = z.infer<typeof schema>;

function turnTo(state: State, bin: number): void {
  const { bin: filled, readings, sumW } = state;
  if (filled > 0) {
    const code = readings === 0 ? BLANK : codeOf(sumW / readings);
    const missed = Math.min(WEEK_BINS, bin - filled - 1);
    state.week = appended(appended(state.week, code, 1), BLANK, missed);
  }
  state.bin = bin;
  state.sumW = 0;
  state.readings = 0;
}

/** The last run goes on, or another begins. */
function appended(week: string, code: string, bins: number): string {
  if (bins === 0) return week;
  const lastCode = Math.max(0, week.search(/\D\d+$/));
  const goesOn = week[lastCode] === code;
  return goesOn
    ? week.slice(0, lastCode + 1) + (Number(week.slice(lastCode + 1)) + bins)
    : week + code + bins;
}

function hasSwitched({ week }: State): boolean {
  return Number(/\d+$/.exec(week)?.[0] ?? 0) < EVERY_BINS;
}

/** One character for each bin. */
function decoded(week: string): string[] {
  return [...week.matchAll(/(\D)(\d+)/g)].flatMap(([, code = BLANK, bins]) => Array(Number(bins)).fill(code));
}

function coded(codes: readonly string[]): string {
  let week = '';
  let run = 0;
  for (const [i, code] of codes.entries()) {
    run += 1;
    if (codes[i + 1] === code) continue;
    week += code + run;
    run = 0;
  }
  return week;
}

function judge(subject: string, state: State, view: SiteView, leastMin: number): Verdict | undefined {
  const { bin } = state;
  const codes = decoded(state.week).slice(-WEEK_BINS);
  state.week = coded(codes);
  const { calendar } = view;
  if (calendar === null) return undefined;
  const all = codes.map(powerOf);
  for (const bins of [FEW_DAYS_BINS, WEEK_BINS]) {
    const powerW = all.slice(-bins);
    const found = findClockShift({ fromMs: (bin - powerW.length) * BIN_MS, powerW, calendar });
    if (found.kind === 'undecided') continue;
    if (found.kind === 'in-step' || Math.abs(found.shiftMinutes) < leastMin) return ABSENT;
    const { shiftMinutes, logLikelihoodRatio, switchings } = found;
    const fromMs = (bin - powerW.length) * BIN_MS;
    const toMs = bin * BIN_MS;
    const cause = causeOf(shiftMinutes);
    return {
      is: 'present',
      sinceMs: fromMs,
      confidence: 1 / (1 + Math.exp(-logLikelihoodRatio)),
      facts: { shiftMin: shiftMinutes, switchings, cause },
      evidence: () => ({
        fromMs,
        toMs,
        series: [`${subject} ac.p`],
        figures: [
          {
            label: 'Shift of its switching',
            value: shiftMinutes,
            unit: 'min',
            source: `${subject} ac.p against the tariff`,
          },
          { label: 'Switchings compared', value: switchings, unit: '', source: `${subject} ac.p` },
          { label: 'Likely cause', value: cause, unit: '', source: 'common practice' },
        ],
      }),
    };
  }
  return { is: 'unknown', why: 'too little switching, or no clear shift' };
}

function causeOf(shiftMinutes: number): string {
  if (Math.abs(shiftMinutes) === 60) return 'a missed change to or from daylight saving time';
  return shiftMinutes % 60 === 0 ? 'its time zone is wrong' : 'its clock is set wrong';
}

function codeOf(watts: number): string {
  const size = Math.abs(watts);
  if (size < STANDBY_W) return REST;
  const letters = watts > 0 ? CHARGING : FEEDING;
  return letters.charAt(Math.min(letters.length - 1, Math.round(Math.log(size / STANDBY_W) / STEP)));
}

function powerOf(code: string): number | null {
  if (code === BLANK) return null;
  if (code === REST) return 0;
  const charging = CHARGING.indexOf(code);
  if (charging >= 0) return STANDBY_W * Math.exp(charging * STEP);
  return -STANDBY_W * Math.exp(FEEDING.indexOf(code) * STEP);
}
