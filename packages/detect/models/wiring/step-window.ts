// Between which two meter readings did a battery's step fall? The inlet channels tell in the meter's own time,
// once it is known how they are fitted: what they show must answer to the step in size and direction.

import { type ClampPair, likeliest, otherRatio } from './clamp-pair.ts';
import { inletSign, NO_SIGNAL_W } from './inlets.ts';
import type { MeterRow } from './meter-window.ts';

/** What an inlet channel moves by may differ from what the battery says by this share of it, and so many watts. */
const ANSWERS_SHARE = 0.2;
const ANSWERS_W = 40;
/** A leg that goes to and fro by more than this share of the step, beyond its net change, shows several steps. */
const TO_AND_FRO = 0.6;
/** The inlet channels are at rest while they are within this share of the step from where they begin or end. */
const AT_REST = 0.12;

export interface StepWindow {
  readonly before: Pick<MeterRow, 'at' | 'legW'>;
  readonly after: Pick<MeterRow, 'at' | 'legW'>;
}

/**
 * The readings just before and just after a step; the whole stretch where the inlet channels show nothing at
 * all; undefined where the rows show that the step did not fall between them, or not this one alone.
 * @param rows readings from safely before the step to safely after it, in order
 * @param inletStepW what the batteries of each inlet changed by, W
 */
export function stepWindow(
  rows: readonly MeterRow[],
  inlets: ClampPair,
  inletStepW: readonly number[],
  oneLeg: boolean,
): StepWindow | undefined {
  const [first, last] = [rows[0], rows.at(-1)];
  if (first === undefined || last === undefined) return undefined;
  const silent = rows.every((row) => row.inletW.every((watts) => Math.abs(watts ?? 0) <= NO_SIGNAL_W));
  if (silent) return isToAndFro(rows, inletStepW) ? undefined : { before: first, after: last };
  const answers = inletStepW.every((_, channel) => {
    const expectedW = expectedStepW(inlets, channel, inletStepW, oneLeg);
    const shownW = inletOf(last, channel) - inletOf(first, channel);
    return Math.abs(shownW - expectedW) <= ANSWERS_SHARE * Math.abs(expectedW) + ANSWERS_W;
  });
  return answers ? narrowed(rows, first, last) : undefined;
}

/** A battery that hunts: its readings may fall on any of its turns. */
function isToAndFro(rows: readonly MeterRow[], inletStepW: readonly number[]): boolean {
  const mostW = Math.max(...inletStepW.map(Math.abs));
  return [0, 1].some((leg) => {
    const legW = rows.map((row) => row.legW[leg] ?? 0);
    const pathW = legW.reduce((sum, watts, i) => sum + Math.abs(watts - (legW[i - 1] ?? watts)), 0);
    return pathW - Math.abs((legW.at(-1) ?? 0) - (legW[0] ?? 0)) > TO_AND_FRO * mostW;
  });
}

/** What an inlet channel shows of the step if the inlets are fitted as is most likely by now. */
function expectedStepW(
  inlets: ClampPair,
  channel: number,
  inletStepW: readonly number[],
  oneLeg: boolean,
): number {
  const { swapped, clamps } = likeliest(inlets);
  const stepW = inletStepW[swapped ? 1 - channel : channel] ?? 0;
  const sign = inletSign(swapped, oneLeg);
  switch (clamps[channel] ?? 'right') {
    case 'right':
      return sign * stepW;
    case 'reversed':
      return -sign * stepW;
    case 'dead':
      return 0;
    case 'ratio':
      return (otherRatio(inlets, channel) ?? 1) * stepW;
  }
}

function narrowed(rows: readonly MeterRow[], first: MeterRow, last: MeterRow): StepWindow {
  const moved = (row: MeterRow, from: MeterRow) =>
    Math.abs(inletOf(row, 0) - inletOf(from, 0)) + Math.abs(inletOf(row, 1) - inletOf(from, 1));
  const restW = AT_REST * moved(last, first);
  const begins = rows.findIndex((row) => moved(row, first) > restW);
  const ended = rows.findLastIndex((row) => moved(row, last) > restW);
  return {
    before: rows[Math.max(0, begins - 1)] ?? first,
    after: rows[Math.min(rows.length - 1, ended + 1)] ?? last,
  };
}

function inletOf(row: MeterRow, channel: number): number {
  return row.inletW[channel] ?? 0;
}
