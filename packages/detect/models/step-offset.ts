// Steps in a battery's power and on the meter's inlet channels, and by how much the ones come after the others.

import { z } from 'zod';

/** A change of less is part of no step; steps of less in all are not kept, W. */
const PART_W = 100;
const LEAST_STEP_W = 300;
/** Steps kept of a channel. */
const KEPT = 9;
/** Readings farther apart leave open when a step was. */
const GAP_MS = 60_000;
/** Two devices' figures of one step agree within this share and this power. */
const SIZE_SHARE = 0.12;
const SIZE_W = 50;
/** Sampling at 5 and 10 s places a step this far apart at most, and clocks that are right this far. */
const WIDTH_MS = 16_000;
const RIGHT_MS = 20_000;
/** Steps that must agree on an offset. */
const LEAST_MATCHES = 5;

export const stepsSchema = z.object({
  lastMs: z.number(),
  lastW: z.number(),
  /** The step that is going on: its size so far, and its moment (size times time), for its middle. */
  risingW: z.number(),
  momentWms: z.number(),
  /** When each step was, ms before `newestMs`, and its size. */
  newestMs: z.number(),
  agoMs: z.array(z.number()).max(KEPT),
  sizeW: z.array(z.number()).max(KEPT),
});

export type Steps = z.infer<typeof stepsSchema>;

export function startSteps(): Steps {
  return { lastMs: 0, lastW: 0, risingW: 0, momentWms: 0, newestMs: 0, agoMs: [], sizeW: [] };
}

/** Takes a power into a channel, in place. */
export function takeStep(steps: Steps | undefined, at: number, powerW: number | null): void {
  if (steps === undefined || powerW === null || at <= steps.lastMs) return;
  const changeW = powerW - steps.lastW;
  const gap = at - steps.lastMs > GAP_MS;
  const middleMs = (at + steps.lastMs) / 2;
  steps.lastMs = at;
  steps.lastW = powerW;
  const part = !gap && Math.abs(changeW) >= PART_W;
  if (steps.risingW !== 0 && (!part || steps.risingW > 0 !== changeW > 0)) endStep(steps);
  if (!part) return;
  steps.risingW += changeW;
  steps.momentWms += changeW * middleMs;
}

function endStep(steps: Steps): void {
  const { risingW, momentWms } = steps;
  steps.risingW = 0;
  steps.momentWms = 0;
  if (Math.abs(risingW) < LEAST_STEP_W) return;
  const atMs = Math.round(momentWms / risingW);
  const sinceMs = atMs - steps.newestMs;
  steps.newestMs = atMs;
  steps.agoMs = [0, ...steps.agoMs.map((agoMs) => agoMs + sinceMs)].slice(0, KEPT);
  steps.sizeW = [Math.round(risingW), ...steps.sizeW].slice(0, KEPT);
}

/**
 * By how much a battery's clock is ahead of the meter's, ms: the offset on which most of its steps agree with
 * steps of equal size on any inlet channel, whichever way the clamp faces.
 * @returns undefined while too few agree, or several offsets would do
 */
export function findStepOffset(battery: Steps, inlets: readonly Steps[]): number | undefined {
  const matches: { step: number; offsetMs: number }[] = [];
  for (const [step, agoMs] of battery.agoMs.entries()) {
    const sizeW = Math.abs(battery.sizeW[step] ?? 0);
    for (const inlet of inlets) {
      for (const [i, otherAgoMs] of inlet.agoMs.entries()) {
        const differenceW = Math.abs(sizeW - Math.abs(inlet.sizeW[i] ?? 0));
        if (differenceW > SIZE_W + SIZE_SHARE * sizeW) continue;
        matches.push({ step, offsetMs: battery.newestMs - agoMs - (inlet.newestMs - otherAgoMs) });
      }
    }
  }
  const agreeing = (middleMs: number, widthMs: number) =>
    new Set(
      matches.filter(({ offsetMs }) => Math.abs(offsetMs - middleMs) <= widthMs / 2).map((m) => m.step),
    );
  if (agreeing(0, 2 * RIGHT_MS).size >= LEAST_MATCHES) return 0;

  let best = { offsetMs: 0, count: 0 };
  for (const { offsetMs } of matches) {
    const count = agreeing(offsetMs, WIDTH_MS).size;
    if (count > best.count) best = { offsetMs, count };
  }
  if (best.count < LEAST_MATCHES || 4 * agreeing(0, 2 * RIGHT_MS).size > best.count) return undefined;
  const rival = matches
    .filter(({ offsetMs }) => Math.abs(offsetMs - best.offsetMs) > 2 * WIDTH_MS)
    .reduce((most, { offsetMs }) => Math.max(most, agreeing(offsetMs, WIDTH_MS).size), 0);
  return 2 * rival > best.count ? undefined : best.offsetMs;
}
