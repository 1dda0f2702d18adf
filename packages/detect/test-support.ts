// Hand-made readings for the detectors' tests: written out from the physics, second by second, by the test.

import type { CapAlert, CapInfo } from '@afterwatt/storm';
import {
  type BatteryReading,
  emptyBatteryReading,
  emptyMeterReading,
  type MeterReading,
  type Site,
  type SiteInput,
  siteSchema,
} from '@afterwatt/wire';
import { aWarning, aWarningInfo } from '../storm/a-warning.fixture.ts';
import type { Detector } from './detector.ts';
import { startEngine, type Transition } from './engine.ts';
import type { DeviceState, Lags, SiteEvent, StormMessage } from './event.ts';

/** Midday, so that no series crosses a date by accident. */
export const START_MS = Date.parse('2026-03-02T19:00:00Z');

/** A site with one battery on inlet 1, all else at its default. */
export function aSite(input: Partial<SiteInput> = {}): Site {
  return siteSchema.parse({
    id: 'cedar-lane-4',
    name: 'Cedar Lane 4',
    timeZone: 'America/Denver',
    batteries: [{ device: 'battery-1' }],
    ...input,
  });
}

/** @param seconds after START_MS, device time */
export function aMeterReading(seconds: number, fields: Partial<MeterReading> = {}): MeterReading {
  return { ...emptyMeterReading('meter-1', START_MS + seconds * 1000), l1V: 120, l2V: 120, ...fields };
}

export function aBatteryReading(
  seconds: number,
  fields: Partial<BatteryReading> = {},
  device = 'battery-1',
): BatteryReading {
  return {
    ...emptyBatteryReading(device, START_MS + seconds * 1000),
    acV: 120,
    gridPresent: true,
    ...fields,
  };
}

/** Meter and battery fields of an inlet on a 120 V leg that carries `amps`, positive = charging. */
export function inletFields(amps: number, volts = 120): Partial<MeterReading> {
  return { inlet1A: Math.abs(amps), inlet1W: amps * volts };
}
export function portFields(amps: number, volts = 120): Partial<BatteryReading> {
  return { acA: Math.abs(amps), acW: amps * volts, acV: volts };
}

/** Runs a series, in the order of its own time, through the engine and tells what became of it. */
export function runSeries(site: Site, detector: Detector, events: readonly SiteEvent[]): Transition[] {
  const engine = startEngine(site, undefined, [detector]);
  const ordered = [...events].sort((a, b) => a.at - b.at);
  return ordered.flatMap((event) => [...engine.step(event)]);
}

/** The raises among transitions, as '<subject> <seconds from START_MS to the reading that decided it>'. */
export function raises(transitions: readonly Transition[]): string[] {
  return transitions
    .filter((transition) => transition.type === 'raised')
    .map(({ subject, detectedMs }) => `${subject} ${(detectedMs - START_MS) / 1000}`);
}

/** Seconds from, from + step, ... below to. */
export function seconds(from: number, to: number, step: number): number[] {
  return Array.from({ length: Math.max(0, Math.ceil((to - from) / step)) }, (_, i) => from + i * step);
}

/** A repeatable source of normally distributed noise (mulberry32, Box-Muller), mean 0, standard deviation 1. */
export function noise(seed: number): () => number {
  let state = seed;
  const uniform = () => {
    state = (state + 0x6d2b79f5) | 0;
    let t = Math.imul(state ^ (state >>> 15), 1 | state);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
  return () => Math.sqrt(-2 * Math.log(1 - uniform())) * Math.cos(2 * Math.PI * uniform());
}

/** The home of the CAP alerts below. */
export const HOME = { lat: 39.74, lon: -104.99, geocodes: [{ system: 'SAME', code: '008031' }] };

interface AlertTimes {
  readonly sentS: number;
  readonly onsetS?: number | null;
  readonly expiresS?: number;
}

/** A warning that meets HOME, times in seconds after START_MS; `about` makes it one that refers to an earlier one. */
export function aStormMessage(
  { sentS, onsetS = 6 * 3600, expiresS = 12 * 3600 }: AlertTimes,
  about: { type?: CapAlert['messageType']; earlier?: StormMessage; info?: Partial<CapInfo> } = {},
): StormMessage {
  const sentMs = START_MS + sentS * 1000;
  const references = about.earlier === undefined ? [] : [about.earlier.alert];
  const info = aWarningInfo({
    onsetMs: onsetS === null ? null : START_MS + onsetS * 1000,
    expiresMs: START_MS + expiresS * 1000,
    ...about.info,
  });
  const alert = aWarning({
    sender: 'weather@alerts.example',
    identifier: `warning-${sentS}`,
    sentMs,
    messageType: about.type ?? 'Alert',
    references: references.map(({ sender, identifier, sentMs: at }) => ({ sender, identifier, sentMs: at })),
    infos: about.type === 'Cancel' ? [] : [info],
  });
  return { kind: 'storm', at: sentMs, alert };
}

/** @param seconds after START_MS, arrival */
export function aDeviceState(
  seconds: number,
  fields: Partial<DeviceState> = {},
  device = 'battery-1',
): DeviceState {
  return {
    kind: 'state',
    device,
    at: START_MS + seconds * 1000,
    online: null,
    firmware: null,
    selfTestAt: null,
    selfTestPassed: null,
    clockAt: null,
    ...fields,
  };
}

/** The clears among transitions, as `raises` tells the raises. */
export function clears(transitions: readonly Transition[]): string[] {
  return transitions
    .filter((transition) => transition.type === 'cleared')
    .map(({ subject, atMs }) => `${subject} ${(atMs - START_MS) / 1000}`);
}

export const HOUR_S = 3600;
export const DAY_S = 24 * HOUR_S;

/** The first raise among transitions; a test that finds none has failed. */
export function firstRaise(transitions: readonly Transition[]): Extract<Transition, { type: 'raised' }> {
  const raised = transitions.find((transition) => transition.type === 'raised');
  if (raised?.type !== 'raised') throw new Error('nothing was raised');
  return raised;
}

/** Uniform between 0 and 1, repeatable (the linear congruential generator of ISO C's example). */
export function uniform(seed: number): () => number {
  let state = seed;
  return () => {
    state = (Math.imul(state, 1_103_515_245) + 12_345) & 0x7fffffff;
    return state / 0x80000000;
  };
}

/** @param s seconds after START_MS, arrival; @param leastS by device, s; @param late by device, readings */
export function aLags(s: number, leastS: Record<string, number>, late: Record<string, number> = {}): Lags {
  const leastMs = Object.fromEntries(Object.entries(leastS).map(([device, lag]) => [device, lag * 1000]));
  return { kind: 'lags', at: START_MS + s * 1000, leastMs, late };
}

const WEEKDAY = [
  { period: 'super-off-peak', from: '00:00', to: '06:00' },
  { period: 'off-peak', from: '06:00', to: '16:00' },
  { period: 'peak', from: '16:00', to: '21:00' },
  { period: 'off-peak', from: '21:00', to: '24:00' },
] as const;
export const TARIFF = {
  seasons: [{ name: 'all year', weekday: [...WEEKDAY] }],
  rates: { peak: 0.42, 'off-peak': 0.17, 'super-off-peak': 0.09 },
};

/** Arizona keeps standard time: a schedule in seconds from START_MS stays right for weeks. */
export function aSiteUnderTariff(): Site {
  return aSite({ tariff: TARIFF, location: HOME, timeZone: 'America/Phoenix' });
}

/** START_MS is Monday noon in Phoenix: seconds from there to an hour of the same or a later day. */
export function phoenixHour(hour: number, day = 0): number {
  return day * DAY_S + (hour - 12) * HOUR_S;
}

/** One battery, a reading a minute, that rests (8 W of standby) but in the given stretches, seconds and W. */
export function aScheduledBattery(
  days: number,
  stretches: readonly { readonly from: number; readonly to: number; readonly acW: number }[],
  fields: Partial<BatteryReading> = {},
): BatteryReading[] {
  return seconds(0, days * DAY_S, 60).map((s) => {
    const acW = stretches.find(({ from, to }) => s >= from && s < to)?.acW ?? 8;
    return aBatteryReading(s, { socPct: 60, acW, periodS: 60, ...fields });
  });
}

/** A value over time, seconds since START_MS. */
export type At = (s: number) => number;
export const flat = (value: number) => () => value;

/** What a battery says of its charge and power until `toS`, every `step` seconds. */
export function series(
  toS: number,
  socPct: At,
  acW: At,
  fields: Parameters<typeof aBatteryReading>[1] = {},
  step = 10,
) {
  return seconds(0, toS, step).map((s) => aBatteryReading(s, { socPct: socPct(s), acW: acW(s), ...fields }));
}
