// Are the clamps where they should be? A sequential test over every arrangement of the service pair and of
// the inlets, fed by whatever the readings happen to show: see the files in wiring/ for each kind of evidence.

import type { BatteryReading, MeterReading, Site } from '@afterwatt/wire';
import { z } from 'zod';
import type { Model, SiteView } from '../site-view.ts';
import { learnServiceFromStep } from './wiring/battery-step-evidence.ts';
import { batteryTracksSchema, observeBattery, startBatteryTracks } from './wiring/battery-track.ts';
import { channelNoiseSchema, learnNoise, startChannelNoise } from './wiring/channel-noise.ts';
import { type ClampPair, clampPairSchema, forgetClamp, startClampPair, tell } from './wiring/clamp-pair.ts';
import { inletStepsBetween } from './wiring/inlet-led-steps.ts';
import { learnFromLevel, levelsSchema, noteJump, startLevels } from './wiring/inlet-level-evidence.ts';
import { sameLeg } from './wiring/inlets.ts';
import {
  learnFromLineLoad,
  lineLoadsSchema,
  startLineLoads,
  usualRatio,
} from './wiring/line-load-evidence.ts';
import { meterWindowSchema, pushReading, startMeterWindow } from './wiring/meter-window.ts';
import { learnFromStanding, standingSchema, startStanding } from './wiring/standing-evidence.ts';
import { learnFromStep } from './wiring/step-evidence.ts';
import type { StepWindow } from './wiring/step-window.ts';
import { learnFromVoltage, startVoltages, voltagesSchema } from './wiring/voltage-evidence.ts';

/** Rows of the window need not lie closer than this. */
const LEAST_SPACING_MS = 4500;
/** Readings farther apart than this many periods have lost some in between. */
const GAP_PERIODS = 2.5;
/** Each reading moves the usual period by this factor towards the time since the one before. */
const PERIOD_GAIN = 1.05;
/** Below this a battery is idle; heard no longer ago than this it still is (common practice). */
const IDLE_W = 60;
const LEAST_HEARD_MS = 3 * 60_000;
/** An inlet that moves by more between two readings moves its leg as well: no noise of the house. */
const INLET_MOVES_W = 40;
/** What is long certain is judged again so often: an incident may have been held back meanwhile. */
const REPEAT_MS = 15 * 60_000;
/** Legs farther apart than this share of nominal have no firm neutral: loads of one leg run through the other. */
const PARTED_PU = 0.08;

const schema = z.object({
  service: clampPairSchema,
  inlets: clampPairSchema,
  noises: z.array(channelNoiseSchema),
  batteries: batteryTracksSchema,
  window: meterWindowSchema,
  lineLoads: lineLoadsSchema,
  standing: standingSchema,
  voltages: voltagesSchema,
  levels: levelsSchema,
  /** Device time of the last step that the inlet channels themselves told of. */
  inletLedMs: z.number(),
  /** Usual time between meter readings as they come, whatever the meter was registered with. */
  periodMs: z.number(),
});
export type WiringState = z.infer<typeof schema>;

export const wiringModel: Model<WiringState> = {
  state: schema,
  start: (site) => ({
    service: startClampPair('service', 2),
    inlets: startClampPair('inlets', site.inlets.length),
    noises: [startChannelNoise(), startChannelNoise()],
    batteries: startBatteryTracks(site.batteries.length),
    window: startMeterWindow(),
    lineLoads: startLineLoads(),
    standing: startStanding(),
    voltages: startVoltages(),
    levels: startLevels(site.inlets.length),
    inletLedMs: 0,
    periodMs: 1000 * site.meter.periodSeconds,
  }),
  observe(state, event, view) {
    state.service.isNews = false;
    state.inlets.isNews = false;
    switch (event.kind) {
      case 'meter':
        observeMeter(state, event, view);
        return;
      case 'battery': {
        observeBattery(state.batteries, view.place, event, batteryPeriodMs(view.site));
        if (view.grid.present !== false) learnFromStep(state, view.site, event.at);
        learnFromLevel(state.inlets, state.levels, view.site, state.batteries, state.window, event.at);
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
  repeat(state.service, meter.at);
  repeat(state.inlets, meter.at);
  if (hasParted(meter, site)) return;
  if (previousMeter !== null && !hasParted(previousMeter, site)) {
    const spacingMs = meter.at - previousMeter.at;
    if (spacingMs <= 0) return;
    state.periodMs = Math.round(
      state.periodMs * (spacingMs > state.periodMs ? PERIOD_GAIN : 1 / PERIOD_GAIN),
    );
    if (spacingMs <= GAP_PERIODS * state.periodMs) compareReadings(state, previousMeter, meter, view);
  }
  pushReading(state.window, meter, Math.max(LEAST_SPACING_MS, batteryPeriodMs(site) / 3));
  observeStanding(state, meter, view);
  if (view.grid.present !== false) learnFromStep(state, site, meter.at);
}

function repeat(pair: ClampPair, at: number): void {
  if (pair.newsMs > 0 && at - pair.newsMs > REPEAT_MS) tell(pair, at);
}

function hasParted({ l1V, l2V }: MeterReading, { service }: Site): boolean {
  return l1V !== null && l2V !== null && Math.abs(l1V - l2V) > PARTED_PU * service.nominalVolts;
}

/** What changed between two consecutive readings. */
function compareReadings(state: WiringState, before: MeterReading, now: MeterReading, view: SiteView): void {
  if (now.l1W === null || before.l1W === null || now.l2W === null || before.l2W === null) return;
  if (view.grid.present === false) return;
  const l1StepW = now.l1W - before.l1W;
  const l2StepW = now.l2W - before.l2W;
  learnFromVoltage(state.service, state.voltages, before, now);
  const inlet1StepW = Math.abs((now.inlet1W ?? 0) - (before.inlet1W ?? 0));
  const inlet2StepW = Math.abs((now.inlet2W ?? 0) - (before.inlet2W ?? 0));
  const legsMovedW = Math.max(Math.abs(l1StepW), Math.abs(l2StepW));
  noteJump(state.levels, Math.max(inlet1StepW, inlet2StepW), legsMovedW);
  const inletsMovedW = inlet1StepW + inlet2StepW;
  if (inletsMovedW > INLET_MOVES_W) learnFromInlets(state, before, now, view.site);
  if (inletsMovedW > INLET_MOVES_W || state.batteries.movingSinceMs !== null) return;
  learnFromLineLoad(state.service, state.lineLoads, now.at, l1StepW, l2StepW);
  const first = state.noises[0];
  const second = state.noises[1];
  if (first !== undefined) learnNoise(first, l1StepW);
  if (second !== undefined) learnNoise(second, l2StepW);
}

/** A step that the inlet channels tell of, once it is proven what they show. */
function learnFromInlets(state: WiringState, before: MeterReading, now: MeterReading, site: Site): void {
  const steps = inletStepsBetween(state.inlets, site, state.batteries, before, now);
  if (steps === null) return;
  const window = { before: pointOf(before), after: pointOf(now) };
  const { service, noises, periodMs, lineLoads } = state;
  learnServiceFromStep(service, site, steps.inletStepW, window, {
    noises,
    periodMs,
    legRatio: usualRatio(lineLoads),
    tellsRatio: steps.charges,
    inletsMayMislead: site.inlets.length > 1 && !sameLeg(site),
  });
  state.inletLedMs = now.at;
}

function pointOf({ at, l1W, l2W }: MeterReading): StepWindow['before'] {
  return { at, legW: [l1W ?? 0, l2W ?? 0] };
}

function observeStanding(state: WiringState, meter: MeterReading, view: SiteView): void {
  const { at, l1W, l2W } = meter;
  if (l1W === null || l2W === null) return;
  const l1Busy = isBusy('L1', meter, view);
  const l2Busy = isBusy('L2', meter, view);
  learnFromStanding(state.service, state.standing, view.site, {
    at,
    l1W,
    l2W,
    l1Busy,
    l2Busy,
    l1ChargeW: l1Busy ? chargeOf('L1', meter, view) : 0,
    l2ChargeW: l2Busy ? chargeOf('L2', meter, view) : 0,
    gridPresent: view.grid.present !== false,
  });
}

/** What the batteries of that leg charge with, W, by their own figures and by the inlet channels, whichever is less. */
function chargeOf(leg: 'L1' | 'L2', meter: MeterReading, { site, newest }: SiteView): number {
  let sumW = 0;
  for (const inlet of site.inlets) {
    if (inlet.leg !== leg) continue;
    let inletW = 0;
    for (let i = 0; i < newest.length; i++) {
      const battery = site.batteries[i];
      if (battery?.inlet !== inlet.number) continue;
      const heardW = heardOf(newest[i], meter, battery);
      if (heardW === null) return 0;
      inletW += heardW;
    }
    const shownW = inlet.number === 1 ? meter.inlet1W : meter.inlet2W;
    sumW += shownW === null ? inletW : Math.min(inletW, Math.abs(shownW));
  }
  return Math.max(0, sumW);
}

/** What a battery said of its power, W; null where it was not heard of late. */
function heardOf(
  reading: BatteryReading | null | undefined,
  meter: MeterReading,
  { periodSeconds }: Site['batteries'][number],
): number | null {
  if (reading === null || reading === undefined) return null;
  return meter.at - reading.at <= Math.max(LEAST_HEARD_MS, 3000 * periodSeconds) ? reading.acW : null;
}

/** Is a battery of that leg at work, or not heard of late? */
function isBusy(leg: 'L1' | 'L2', meter: MeterReading, { site, newest }: SiteView): boolean {
  for (const inlet of site.inlets) {
    if (inlet.leg !== leg) continue;
    if (Math.abs((inlet.number === 1 ? meter.inlet1W : meter.inlet2W) ?? 0) >= IDLE_W) return true;
    for (let i = 0; i < newest.length; i++) {
      const battery = site.batteries[i];
      if (battery?.inlet !== inlet.number) continue;
      const heardW = heardOf(newest[i], meter, battery);
      if (heardW === null || Math.abs(heardW) >= IDLE_W) return true;
    }
  }
  return false;
}

function forget(state: WiringState, site: Site, subject: string): void {
  const inlet = site.inlets.findIndex(({ number }) => subject === `inlet ${number}`);
  if (subject === 'L1') forgetClamp(state.service, 0);
  else if (subject === 'L2') forgetClamp(state.service, 1);
  else if (subject === 'service') state.service = startClampPair('service', 2);
  else if (subject === 'inlets') state.inlets = startClampPair('inlets', site.inlets.length);
  else if (inlet >= 0) forgetClamp(state.inlets, inlet);
}

function batteryPeriodMs(site: Site): number {
  let most = 0;
  for (const { periodSeconds } of site.batteries) most = Math.max(most, periodSeconds);
  return 1000 * most;
}
