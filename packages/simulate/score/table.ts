// Figures from outcomes, a line for each kind.

import type { IncidentKind } from '@afterwatt/wire';
import { PLANS } from './plans.ts';
import { type Interval, wilsonInterval } from './wilson.ts';

/** Targets for every kind. */
const TARGETS = { recall: 0.98, precision: 0.99, falseASiteYear: 0.1, detectUsAReading: 5, stateBytes: 8192 };

/** What is known of one kind. */
export interface Tally {
  readonly kind: IncidentKind;
  /** Truths that could be told, and those that were. */
  runs: number;
  told: number;
  /** Runs in which the fault did not show in time: not counted. */
  notShown: number;
  /** Raised wrongly in runs with a fault, of whichever kind. */
  wrong: number;
  falseInFaultless: number;
  readonly delaysMs: number[];
  /** Incidents whose fault was mended; those of them that cleared by themselves, and those that came back. */
  mended: number;
  cleared: number;
  cameBack: number;
  /** From the mend to the clearing. */
  readonly clearsMs: number[];
}

/** What is known of homes with two faults at the same time. */
export interface PairTally {
  homes: number;
  /** Homes in which all was told that could be, and nothing else. */
  allTold: number;
  truths: number;
  told: number;
  wrong: number;
}

/** What the detectors cost, over all homes that were run. */
export interface Cost {
  readings: number;
  detectUs: number;
  /** What parsing a meter's pack for each reading would have taken, by the yardstick of that moment. */
  parseUs: number;
  totalUs: number;
  stateBytes: number;
  faultlessMs: number;
}

export interface Row {
  readonly kind: IncidentKind;
  readonly runs: number;
  readonly notShown: number;
  readonly recall: number | null;
  /** 95 % confidence. */
  readonly recallInterval: Interval | null;
  readonly precision: number | null;
  readonly precisionInterval: Interval | null;
  /** Raised wrongly in runs with a fault, of whichever kind. */
  readonly wrong: number;
  readonly falseIncidents: number;
  readonly falseASiteYear: number | null;
  readonly medianS: number | null;
  readonly p95S: number | null;
  readonly targetS: number | null;
  /** Of the incidents whose fault was mended: how many, the share that cleared and stayed so, and how soon. */
  readonly mended: number;
  readonly clearedShare: number | null;
  readonly cameBack: number;
  readonly clearMedianS: number | null;
  /** The targets it does not meet; empty when it meets all that were measured. */
  readonly short: readonly string[];
}

export interface Summary {
  readonly rows: readonly Row[];
  readonly pairs: PairTally & { readonly recall: number | null; readonly recallInterval: Interval | null };
  readonly siteYears: number;
  readonly falseASiteYear: number | null;
  readonly readings: number;
  readonly detectUsAReading: number;
  /** In multiples of the time that parsing one meter pack as JSON takes. */
  readonly detectYardsAReading: number;
  readonly totalUsAReading: number;
  readonly stateBytes: number;
}

const YEAR_MS = 365 * 86_400_000;

/** The figures of a score; shares are 0 to 1, null where nothing was counted. */
export function summarize(tallies: readonly Tally[], pairs: PairTally, cost: Cost): Summary {
  const siteYears = cost.faultlessMs / YEAR_MS;
  const perYear = (count: number) => (siteYears === 0 ? null : count / siteYears);
  const falseInAll = tallies.reduce((sum, { falseInFaultless }) => sum + falseInFaultless, 0);
  return {
    rows: tallies.map((tally) => rowOf(tally, perYear(tally.falseInFaultless))),
    pairs: {
      ...pairs,
      recall: pairs.truths === 0 ? null : pairs.told / pairs.truths,
      recallInterval: wilsonInterval(pairs.told, pairs.truths),
    },
    siteYears,
    falseASiteYear: perYear(falseInAll),
    readings: cost.readings,
    detectUsAReading: cost.detectUs / Math.max(1, cost.readings),
    detectYardsAReading: cost.detectUs / Math.max(1, cost.parseUs),
    totalUsAReading: cost.totalUs / Math.max(1, cost.readings),
    stateBytes: cost.stateBytes,
  };
}

function rowOf(tally: Tally, falseASiteYear: number | null): Row {
  const { kind, runs, told, notShown, wrong, delaysMs } = tally;
  const recall = runs === 0 ? null : told / runs;
  const precision = told + wrong === 0 ? null : told / (told + wrong);
  const medianS = quantileS(delaysMs, 0.5);
  const p95S = quantileS(delaysMs, 0.95);
  const { targetS } = PLANS[kind];
  const short = [
    recall !== null && recall < TARGETS.recall ? 'recall' : '',
    precision !== null && precision < TARGETS.precision ? 'precision' : '',
    falseASiteYear !== null && falseASiteYear >= TARGETS.falseASiteYear ? 'false' : '',
    targetS !== null && p95S !== null && p95S > targetS ? 'delay' : '',
  ].filter((missed) => missed !== '');
  return {
    kind,
    runs,
    notShown,
    recall,
    recallInterval: wilsonInterval(told, runs),
    precision,
    precisionInterval: wilsonInterval(told, told + wrong),
    wrong,
    falseIncidents: tally.falseInFaultless,
    falseASiteYear,
    medianS,
    p95S,
    targetS,
    mended: tally.mended,
    clearedShare: tally.mended === 0 ? null : tally.cleared / tally.mended,
    cameBack: tally.cameBack,
    clearMedianS: quantileS(tally.clearsMs, 0.5),
    short,
  };
}

/** The smallest delay that at least this share lies at or below (nearest rank), seconds. */
function quantileS(delaysMs: readonly number[], share: number): number | null {
  const sorted = delaysMs.toSorted((a, b) => a - b);
  const at = sorted[Math.max(0, Math.ceil(share * sorted.length) - 1)];
  return at === undefined ? null : at / 1000;
}

const COLUMNS = [
  'kind',
  'runs',
  'recall',
  'precision',
  'wrong',
  'false/site-year',
  'median',
  '95 %',
  'target',
  'mended',
  'cleared',
  'after',
  'met',
];

/** Plain text: always the same columns in the same order. */
export function printTable({ rows, pairs, ...all }: Summary): string {
  const lines = [COLUMNS, ...rows.map(cellsOf)];
  const widths = COLUMNS.map((_, column) => Math.max(...lines.map((cells) => (cells[column] ?? '').length)));
  const text = lines.map((cells) =>
    cells
      .map((cell, column) =>
        column === 0 || column === COLUMNS.length - 1
          ? cell.padEnd(widths[column] ?? 0)
          : cell.padStart(widths[column] ?? 0),
      )
      .join('  ')
      .trimEnd(),
  );
  const cost = all.detectUsAReading;
  return [
    ...text,
    '',
    `two faults at once    ${pairs.homes} homes, in ${pairs.allTold} all told and nothing else; recall ${figure(pairs.recall, 3)} of ${pairs.truths}, ${pairs.wrong} wrong`,
    `faultless site-years  ${all.siteYears.toFixed(2)}, false incidents of all kinds a site-year ${figure(all.falseASiteYear, 2)}`,
    `all detectors         ${cost.toFixed(2)} us a reading (target ${TARGETS.detectUsAReading}), as much as ${all.detectYardsAReading.toFixed(2)} times parsing a meter pack; ${all.readings} readings, with the simulator ${all.totalUsAReading.toFixed(2)} us`,
    `state of a site       ${all.stateBytes} bytes at most (target ${TARGETS.stateBytes})`,
    'mended                incidents whose fault was mended, the share that cleared by itself and stayed so, and after what time',
    `targets               recall ${TARGETS.recall}, precision ${TARGETS.precision}, false incidents below ${TARGETS.falseASiteYear} a site-year`,
    '',
  ].join('\n');
}

function cellsOf(row: Row): string[] {
  return [
    row.kind,
    String(row.runs),
    figure(row.recall, 3),
    figure(row.precision, 3),
    String(row.wrong),
    figure(row.falseASiteYear, 2),
    duration(row.medianS),
    duration(row.p95S),
    duration(row.targetS),
    String(row.mended),
    figure(row.clearedShare, 2),
    duration(row.clearMedianS),
    row.runs === 0 ? 'not run' : row.short.length === 0 ? 'yes' : `no: ${row.short.join(', ')}`,
  ];
}

function figure(value: number | null, digits: number): string {
  return value === null ? '-' : value.toFixed(digits);
}

function duration(seconds: number | null): string {
  if (seconds === null) return '-';
  if (seconds < 120) return `${seconds.toFixed(0)} s`;
  if (seconds < 7200) return `${(seconds / 60).toFixed(0)} min`;
  return `${(seconds / 3600).toFixed(1)} h`;
}
