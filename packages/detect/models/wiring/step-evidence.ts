// A battery's step, once the meter has come past it, is evidence on the inlet clamps and on the service clamps.
// The batteries must have stood still for as long as the meter's readings around it lie apart, or what the
// meter shows may be another step.

import type { Site } from '@afterwatt/wire';
import { learnServiceFromStep } from './battery-step-evidence.ts';
import { type BatteryStep, type BatteryTracks, heldUntilMs } from './battery-track.ts';
import type { ChannelNoise } from './channel-noise.ts';
import type { ClampPair } from './clamp-pair.ts';
import { learnInletsFromStep } from './inlet-step-evidence.ts';
import { CLOCK_OFFSET_MS, sameLeg } from './inlets.ts';
import { type LineLoads, usualRatio } from './line-load-evidence.ts';
import { type MeterRow, type MeterWindow, rowsAround } from './meter-window.ts';
import { stepWindow } from './step-window.ts';

/** Rows within this of the step are taken even if the battery has moved on: a proving run. */
const NEAR_MS = 2 * CLOCK_OFFSET_MS;
/** A step that the meter has not come past by then is given up. */
const STALE_MS = 10 * 60_000;

export interface StepInput {
  readonly service: ClampPair;
  readonly inlets: ClampPair;
  readonly batteries: BatteryTracks;
  readonly window: MeterWindow;
  readonly lineLoads: LineLoads;
  readonly noises: readonly ChannelNoise[];
  readonly periodMs: number;
  /** Device time of the last step that the inlet channels themselves told of. */
  readonly inletLedMs: number;
}

/** Looks at the step that waits, if there is one, and takes it away once it is used or of no use. */
export function learnFromStep(input: StepInput, site: Site, at: number): void {
  const { batteries, window } = input;
  const { step } = batteries;
  if (step === null || at < step.toMs + CLOCK_OFFSET_MS) return;
  const rows = rowsAround(window, step.fromMs - CLOCK_OFFSET_MS, step.toMs + CLOCK_OFFSET_MS);
  const held = rows === 'later' || rows === 'gone' ? rows : heldAround(batteries, step, rows);
  if (held === 'later' && at - step.toMs < STALE_MS) return;
  if (held === 'held' && rows !== 'later' && rows !== 'gone') judge(input, site, step, rows);
  batteries.step = null;
}

function judge(input: StepInput, site: Site, step: BatteryStep, rows: readonly MeterRow[]): void {
  const { service, inlets, noises, periodMs } = input;
  const inletStepW = site.inlets.map(({ number }) =>
    site.batteries.reduce((sum, { inlet }, i) => sum + (inlet === number ? (step.stepW[i] ?? 0) : 0), 0),
  );
  const oneLeg = sameLeg(site);
  learnInletsFromStep(inlets, rows, inletStepW, oneLeg);
  if (step.follows) return;
  if (input.inletLedMs >= step.fromMs - CLOCK_OFFSET_MS) return;
  const window = stepWindow(rows, inlets, inletStepW, oneLeg);
  if (window === undefined) return;
  learnServiceFromStep(service, site, inletStepW, window, {
    noises,
    periodMs,
    legRatio: usualRatio(input.lineLoads),
    tellsRatio: step.charges,
    inletsMayMislead: false,
  });
}

/** Did the batteries stand still from the first of the rows to the last, but for the step? */
function heldAround(tracks: BatteryTracks, step: BatteryStep, rows: readonly MeterRow[]) {
  const firstMs = rows[0]?.at ?? 0;
  const lastMs = rows.at(-1)?.at ?? 0;
  const near = firstMs >= step.fromMs - NEAR_MS;
  if (!near && step.heldSinceMs > firstMs - CLOCK_OFFSET_MS) return 'gone';
  if (lastMs <= step.toMs + NEAR_MS) return 'held';
  if (heldUntilMs(tracks) >= lastMs + CLOCK_OFFSET_MS) return 'held';
  return tracks.movingSinceMs === null ? 'later' : 'gone';
}
