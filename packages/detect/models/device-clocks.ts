// How far each device's clock is off. Three witnesses:
//   arrival  its readings come sooner after their time than is possible (ahead), or all of them later than those
//            of the site's other devices, by the same amount all the time (behind; a delay would vary)
//   state    its own clock in a state message, against the message's arrival
//   steps    what a battery does shows on the meter's inlet channels at another time (models/step-offset.ts):
//            asked only where arrival says nothing, as in a backlog
// Easily confused with: a backlog (old readings, but not by a constant), a whole site that comes late, and a
// state message that was held up on its way.

import { z } from 'zod';
import type { Lags, SiteEvent } from '../event.ts';
import type { Model, SiteView } from '../site-view.ts';
import { findStepOffset, startSteps, stepsSchema, takeStep } from './step-offset.ts';

/** Two measurements of one offset agree within this. */
const AGREE_MS = 15_000;
/** From so far on a lag is worth a second look. */
const NOTABLE_MS = 20_000;
/** The way from a device to us takes no longer while it is heard (common practice: a second or two). */
const LONGEST_WAY_MS = 5000;
/** How often the steps are compared. */
const STEPS_EVERY_MS = 10 * 60_000;

const clockSchema = z.object({
  lastLagMs: z.number().nullable(),
  /** Offsets by each witness, ms, positive = the device's clock is ahead; null where it cannot tell. */
  byArrivalMs: z.number().nullable(),
  byStateMs: z.number().nullable(),
  byStepsMs: z.number().nullable(),
  /** What the last state message said, believed or not. */
  lastStateMs: z.number().nullable(),
});

const schema = z.object({
  /** The arrival of its readings tells every clock: steps are neither asked nor kept. */
  toldByArrival: z.boolean(),
  clocks: z.record(z.string(), clockSchema),
  batteries: z.record(z.string(), stepsSchema),
  inlets: z.array(stepsSchema).max(2),
});

type Clock = z.infer<typeof clockSchema>;
export type DeviceClocksState = z.infer<typeof schema>;

export const deviceClocksModel: Model<DeviceClocksState> = {
  state: schema,
  start: (site) => ({
    toldByArrival: false,
    clocks: Object.fromEntries([site.meter, ...site.batteries].map(({ device }) => [device, startClock()])),
    batteries: {},
    inlets: [],
  }),
  observe(state, event, view) {
    switch (event.kind) {
      case 'meter':
        if (state.toldByArrival) return;
        for (let i = 0; i < view.site.inlets.length; i++) {
          state.inlets[i] ??= startSteps();
          takeStep(
            state.inlets[i],
            event.at,
            view.site.inlets[i]?.number === 1 ? event.inlet1W : event.inlet2W,
          );
        }
        return;
      case 'battery':
        if (state.toldByArrival) return;
        state.batteries[event.device] ??= startSteps();
        takeStep(state.batteries[event.device], event.at, event.acW);
        return;
      case 'tick':
        if (!state.toldByArrival && event.at % STEPS_EVERY_MS === 0) compareSteps(state, view);
        return;
      case 'lags':
        for (const device in event.leastMs) hearLag(state, device, event);
        takeWitness(state);
        return;
      case 'state':
        hearState(state, event);
        return;
      case 'storm':
      case 'mended':
        return;
    }
  },
};

/** A clock's offset as far as it is known. */
export interface ClockOffset {
  /** Positive = ahead. */
  readonly offsetMs: number;
  readonly witness: 'arrival of its readings' | 'its own clock' | 'steps of battery and meter';
}

/** @returns undefined where no witness can tell */
export function clockOffset(state: DeviceClocksState, device: string): ClockOffset | undefined {
  const clock = state.clocks[device];
  if (clock === undefined) return undefined;
  const { byArrivalMs, byStateMs, byStepsMs } = clock;
  if (byArrivalMs !== null && Math.abs(byArrivalMs) >= Math.abs(byStateMs ?? 0)) {
    return { offsetMs: byArrivalMs, witness: 'arrival of its readings' };
  }
  if (byStateMs !== null) return { offsetMs: byStateMs, witness: 'its own clock' };
  return byStepsMs === null ? undefined : { offsetMs: byStepsMs, witness: 'steps of battery and meter' };
}

function startClock(): Clock {
  return { lastLagMs: null, byArrivalMs: null, byStateMs: null, byStepsMs: null, lastStateMs: null };
}

function hearLag(state: DeviceClocksState, device: string, { leastMs }: Lags): void {
  const clock = state.clocks[device];
  const lagMs = leastMs[device];
  if (clock === undefined || lagMs === undefined) return;
  const before = clock.lastLagMs;
  clock.lastLagMs = lagMs;
  const steady = before !== null && Math.abs(lagMs - before) <= AGREE_MS;
  let leastOtherMs = Number.POSITIVE_INFINITY;
  for (const other in leastMs) {
    if (other !== device) leastOtherMs = Math.min(leastOtherMs, leastMs[other] ?? leastOtherMs);
  }
  const besideOthers = lagMs - leastOtherMs > NOTABLE_MS;
  const believed = Math.abs(lagMs) <= NOTABLE_MS || (steady && (lagMs < 0 || besideOthers));
  // What the promptest of the others takes is the way to us, and no clock's.
  const isAlone = leastOtherMs === Number.POSITIVE_INFINITY;
  const wayMs = isAlone ? 0 : Math.min(LONGEST_WAY_MS, Math.max(0, leastOtherMs));
  const offsetMs = believed ? wayMs - lagMs : null;
  const { byArrivalMs } = clock;
  // A clock that was set makes what it said before worth nothing.
  if (offsetMs !== null && byArrivalMs !== null && Math.abs(offsetMs - byArrivalMs) > AGREE_MS) {
    clock.byStateMs = null;
  }
  clock.byArrivalMs = offsetMs;
  if (offsetMs !== null) clock.byStepsMs = null;
}

function takeWitness(state: DeviceClocksState): void {
  const before = state.toldByArrival;
  state.toldByArrival = Object.values(state.clocks).every(({ byArrivalMs }) => byArrivalMs !== null);
  if (!state.toldByArrival || before) return;
  state.batteries = {};
  state.inlets = [];
}

function hearState(state: DeviceClocksState, event: Extract<SiteEvent, { kind: 'state' }>): void {
  const clock = state.clocks[event.device];
  if (clock === undefined || event.clockAt === null) return;
  const offsetMs = event.clockAt - event.at;
  const agrees = (other: number | null) => other !== null && Math.abs(offsetMs - other) <= AGREE_MS;
  const before = clock.lastStateMs;
  clock.lastStateMs = offsetMs;
  // Only a message that was held up says too little: one that is ahead, or says the same again, was not.
  const believed =
    offsetMs >= -NOTABLE_MS || agrees(before) || (clock.lastLagMs !== null && agrees(-clock.lastLagMs));
  clock.byStateMs = believed ? offsetMs : null;
}

function compareSteps(state: DeviceClocksState, view: SiteView): void {
  const { site } = view;
  const meter = state.clocks[site.meter.device];
  if (meter === undefined) return;
  const offsets = site.batteries.flatMap(({ device }) => {
    const clock = state.clocks[device];
    if (clock === undefined || (clock.byArrivalMs !== null && meter.byArrivalMs !== null)) return [];
    const steps = state.batteries[device];
    // Nothing new was switched since the steps were last compared.
    if (steps === undefined || steps.newestMs <= view.nowMs - STEPS_EVERY_MS) return [];
    const offsetMs = findStepOffset(steps, state.inlets);
    return offsetMs === undefined ? [] : [{ clock, offsetMs }];
  });
  const first = offsets[0];
  if (first === undefined) return;
  // All batteries off by the same: it is the meter. With one battery either may be wrong, more often the battery.
  const alike = offsets.every(({ offsetMs }) => Math.abs(offsetMs - first.offsetMs) <= AGREE_MS);
  if (offsets.length > 1 && alike) {
    meter.byStepsMs = -first.offsetMs;
    for (const { clock } of offsets) clock.byStepsMs = 0;
    return;
  }
  for (const { clock, offsetMs } of offsets) clock.byStepsMs = offsetMs;
}
