// Are the clamps where they should be? A sequential test over every arrangement of the service pair and of
// the inlets, fed by whatever the readings happen to show: see the files in wiring/ for each kind of evidence.

import type { MeterReading, Site } from '@afterwatt/wire';
import { z } from 'zod';
import type { Model, SiteView } from '../site-view.ts';
import { CLOCK_OFFSET_MS, learnFromStep } from './wiring/battery-step-evidence.ts';
import { batteryTracksSchema, observeBattery, startBatteryTracks } from './wiring/battery-track.ts';
import { channelNoiseSchema, learnNoise, startChannelNoise } from './wiring/channel-noise.ts';
import { clampPairSchema, forgetClamp, startClampPair } from './wiring/clamp-pair.ts';
import { learnFromLevel } from './wiring/inlet-level-evidence.ts';
import { meterWindowSchema, pushReading, rowBefore, startMeterWindow } from './wiring/meter-window.ts';

/** Rows of the window need not lie closer than this. */
const LEAST_SPACING_MS = 4500;
/** Readings farther apart than this many periods have lost some in between. */
const GAP_PERIODS = 2.5;
/** Each reading moves the usual period by this factor towards the time since the one before. */
const PERIOD_GAIN = 1.05;
/** An inlet that moves by more between two readings moves its leg as well: no noise of the house. */
const INLET_MOVES_W = 40;

const schema = z.object({
  service: clampPairSchema,
  inlets: clampPairSchema,
  noises: z.array(channelNoiseSchema),
  batteries: batteryTracksSchema,
  window: meterWindowSchema,
  /** Device time of the meter reading that was last compared with the batteries. */
  comparedMs: z.number(),
  /** Usual time between meter readings as they come, whatever the meter was registered with. */
  periodMs: z.number(),
});
export type WiringState = z.infer<typeof schema>;

export const wiringModel: Model<WiringState> = {
  state: schema,
  start: (site) => ({
    service: startClampPair(2),
    inlets: startClampPair(site.inlets.length),
    noises: [startChannelNoise(), startChannelNoise()],
    batteries: startBatteryTracks(site.batteries.length),
    window: startMeterWindow(),
    comparedMs: 0,
    periodMs: 1000 * site.meter.periodSeconds,
  }),
  observe(state, event, view) {
    switch (event.kind) {
      case 'meter':
        observeMeter(state, event, view);
        return;
      case 'battery': {
        const index = view.site.batteries.findIndex(({ device }) => device === event.device);
        observeBattery(state.batteries, index, event, batteryPeriodMs(view.site));
        compareInlets(state, view, event.at);
        return;
      }
      case 'mended':
        forget(state, view.site, event.subject);
        return;
      case 'tick':
      case 'state':
      case 'storm':
        return;
    }
  },
};

function observeMeter(state: WiringState, meter: MeterReading, view: SiteView): void {
  const { site, previousMeter } = view;
  if (previousMeter !== null) {
    const spacingMs = meter.at - previousMeter.at;
    if (spacingMs <= 0) return;
    state.periodMs *= spacingMs > state.periodMs ? PERIOD_GAIN : 1 / PERIOD_GAIN;
    if (spacingMs <= GAP_PERIODS * state.periodMs) learnNoises(state, previousMeter, meter);
  }
  pushReading(state.window, meter, Math.max(LEAST_SPACING_MS, batteryPeriodMs(site) / 3));
  const { step } = state.batteries;
  if (step !== null && view.grid.present !== false) {
    const used = learnFromStep(
      state.service,
      site,
      step,
      state.window,
      state.noises,
      state.periodMs,
      meter.at,
    );
    if (used) state.batteries.step = null;
  }
}

function learnNoises(state: WiringState, before: MeterReading, now: MeterReading): void {
  const inletsMoved =
    Math.abs((now.inlet1W ?? 0) - (before.inlet1W ?? 0)) +
    Math.abs((now.inlet2W ?? 0) - (before.inlet2W ?? 0));
  if (inletsMoved > INLET_MOVES_W || state.batteries.movingSinceMs !== null) return;
  const [first, second] = state.noises;
  if (first !== undefined && now.l1W !== null && before.l1W !== null) learnNoise(first, now.l1W - before.l1W);
  if (second !== undefined && now.l2W !== null && before.l2W !== null)
    learnNoise(second, now.l2W - before.l2W);
}

function compareInlets(state: WiringState, view: SiteView, at: number): void {
  const meter = rowBefore(state.window, at - CLOCK_OFFSET_MS);
  if (meter === undefined || meter.at <= state.comparedMs) return;
  const sinceLastMs = meter.at - state.comparedMs;
  state.comparedMs = meter.at;
  learnFromLevel(state.inlets, view.site, state.batteries, meter, sinceLastMs);
}

function forget(state: WiringState, site: Site, subject: string): void {
  const inlet = site.inlets.findIndex(({ number }) => subject === `inlet ${number}`);
  if (subject === 'L1') forgetClamp(state.service, 0);
  else if (subject === 'L2') forgetClamp(state.service, 1);
  else if (subject === 'service') state.service = startClampPair(2);
  else if (subject === 'inlets') state.inlets = startClampPair(site.inlets.length);
  else if (inlet >= 0) forgetClamp(state.inlets, inlet);
}

function batteryPeriodMs(site: Site): number {
  return 1000 * site.batteries.reduce((most, { periodSeconds }) => Math.max(most, periodSeconds), 0);
}
