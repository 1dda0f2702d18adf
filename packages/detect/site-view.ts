// What is known of one site at this moment of its own time: the newest readings, and the models that
// several detectors share (is the grid there, what do the clamps see, what does the house use, is a storm
// coming). Detectors read it; only the engine changes it.

import { compileCalendar, type TariffCalendar } from '@afterwatt/tariff';
import {
  BATTERY_QUANTITIES,
  type BatteryReading,
  emptyBatteryReading,
  emptyMeterReading,
  METER_QUANTITIES,
  type MeterReading,
  type Reading,
  type Site,
} from '@afterwatt/wire';
import { z } from 'zod';
import { checkpointOf } from './checkpoint.ts';
import type { SiteEvent } from './event.ts';
import { type DeviceClocksState, deviceClocksModel } from './models/device-clocks.ts';
import { type GridState, gridModel } from './models/grid.ts';
import { type HouseLoadState, houseLoadModel } from './models/house-load.ts';
import { type ServiceImpedanceState, serviceImpedanceModel } from './models/service-impedance.ts';
import { type StormState, stormModel } from './models/storm-preparation.ts';
import { type TariffLedgerState, tariffLedgerModel } from './models/tariff-ledger.ts';
import { type WiringState, wiringModel } from './models/wiring.ts';

/** Knowledge of a site that more than one detector needs; state is plain JSON data, changed in place. */
export interface Model<S> {
  readonly state: z.ZodType<S>;
  start(site: Site): S;
  observe(state: S, event: SiteEvent, view: SiteView): void;
}

export interface SiteView {
  readonly site: Site;
  /** The site's tariff in its own time zone; null when the site has none. */
  readonly calendar: TariffCalendar | null;
  /** Device time reached, ms since the Unix epoch. Readings of slow devices may lie somewhat behind it. */
  nowMs: number;
  meter: MeterReading | null;
  /** The meter reading before the newest, for steps and slopes. */
  previousMeter: MeterReading | null;
  /** The newest reading of each battery and the one before it, by its place in the site's list; null before one. */
  readonly newest: (BatteryReading | null)[];
  readonly previousBatteries: (BatteryReading | null)[];
  /** Place in the site's list of the battery that was heard last; -1 before one. */
  place: number;
  /** The reading before the one that was heard last, of the same device; null where that was its first. */
  before: Reading | null;
  readonly grid: GridState;
  readonly deviceClocks: DeviceClocksState;
  readonly houseLoad: HouseLoadState;
  readonly storm: StormState;
  readonly tariffLedger: TariffLedgerState;
  readonly wiring: WiringState;
  readonly serviceImpedance: ServiceImpedanceState;
}

const savedQuantity = z.union([z.number(), z.boolean(), z.null()]);
const savedQuantities = z.array(savedQuantity);
/**
 * What a device said last: its name, how long ago, ms, the quantities in wire order; then of the reading before, if
 * there was one: how much older it is, ms, which quantities were others, as bits from the first on, and those.
 */
const savedReading = z.tuple([z.string(), z.number(), savedQuantities]).rest(savedQuantities);

/** The part of a view that outlives a restart. */
export const savedViewSchema = z.object({
  nowMs: z.number(),
  /** Of another shape they are forgotten: the next ones are not far. */
  readings: z.array(savedReading).catch([]),
  /** By the shape of its state, which names the model as well. */
  models: z.record(z.string(), z.unknown()),
});

export type SavedView = z.infer<typeof savedViewSchema>;

/** The models in the order they observe; a model may read those above it through the view. */
const MODELS = {
  grid: gridModel,
  deviceClocks: deviceClocksModel,
  houseLoad: houseLoadModel,
  storm: stormModel,
  tariffLedger: tariffLedgerModel,
  wiring: wiringModel,
  serviceImpedance: serviceImpedanceModel,
} as const;

const CHECKPOINTS = {
  grid: checkpointOf('grid', gridModel.state),
  deviceClocks: checkpointOf('deviceClocks', deviceClocksModel.state),
  houseLoad: checkpointOf('houseLoad', houseLoadModel.state),
  storm: checkpointOf('storm', stormModel.state),
  tariffLedger: checkpointOf('tariffLedger', tariffLedgerModel.state),
  wiring: checkpointOf('wiring', wiringModel.state),
  serviceImpedance: checkpointOf('serviceImpedance', serviceImpedanceModel.state),
} as const;

type ModelName = keyof typeof MODELS;

/** @param saved what `saveView` returned earlier; a model whose saved shape is older starts afresh */
export function startView(site: Site, saved: SavedView | undefined): SiteView {
  const view: SiteView = {
    site,
    calendar: site.tariff === null ? null : compileCalendar(site.tariff, site.timeZone),
    nowMs: saved?.nowMs ?? 0,
    meter: null,
    previousMeter: null,
    newest: site.batteries.map(() => null),
    previousBatteries: site.batteries.map(() => null),
    place: -1,
    before: null,
    grid: restore('grid', gridModel, site, saved),
    deviceClocks: restore('deviceClocks', deviceClocksModel, site, saved),
    houseLoad: restore('houseLoad', houseLoadModel, site, saved),
    storm: restore('storm', stormModel, site, saved),
    tariffLedger: restore('tariffLedger', tariffLedgerModel, site, saved),
    wiring: restore('wiring', wiringModel, site, saved),
    serviceImpedance: restore('serviceImpedance', serviceImpedanceModel, site, saved),
  };
  for (const row of saved?.readings ?? [])
    for (const reading of restoreReadings(row, view)) takeReading(view, reading);
  return view;
}

/** Takes one event into the view, before any detector sees it. */
export function observeView(view: SiteView, event: SiteEvent): void {
  // Messages and alerts come by another way than readings, and may be far ahead of a backlog.
  const movesTime = event.kind === 'meter' || event.kind === 'battery' || event.kind === 'tick';
  if (movesTime && event.at > view.nowMs) view.nowMs = event.at;
  if (event.kind === 'meter' || event.kind === 'battery') takeReading(view, event);
  MODELS.grid.observe(view.grid, event, view);
  MODELS.deviceClocks.observe(view.deviceClocks, event, view);
  MODELS.houseLoad.observe(view.houseLoad, event, view);
  MODELS.storm.observe(view.storm, event, view);
  MODELS.tariffLedger.observe(view.tariffLedger, event, view);
  MODELS.wiring.observe(view.wiring, event, view);
  MODELS.serviceImpedance.observe(view.serviceImpedance, event, view);
}

export function saveView(view: SiteView): SavedView {
  return {
    nowMs: view.nowMs,
    readings: savedReadings(view),
    models: Object.fromEntries([
      saveModel('grid', view),
      saveModel('deviceClocks', view),
      saveModel('houseLoad', view),
      saveModel('storm', view),
      saveModel('tariffLedger', view),
      saveModel('wiring', view),
      saveModel('serviceImpedance', view),
    ]),
  };
}

function takeReading(view: SiteView, reading: Reading): void {
  if (reading.kind === 'meter') {
    view.before = view.meter;
    view.previousMeter = view.meter;
    view.meter = reading;
    return;
  }
  const place = placeOf(view.site, reading.device);
  // A saved reading may be of a device that was taken off the site since.
  if (place < 0) return;
  const before = view.newest[place] ?? null;
  view.place = place;
  view.before = before;
  view.previousBatteries[place] = before;
  view.newest[place] = reading;
}

/** Place of a battery in the site's list; -1 where it has none of that name. */
export function placeOf({ batteries }: Site, device: string): number {
  let place = batteries.length - 1;
  while (place >= 0 && batteries[place]?.device !== device) place -= 1;
  return place;
}

type SavedReading = z.infer<typeof savedReading>;
type SavedQuantity = z.infer<typeof savedQuantity>;

function savedReadings(view: SiteView): SavedReading[] {
  const { meter, previousMeter, newest, previousBatteries, nowMs } = view;
  const saved = meter === null ? [] : [saveReading(meter, previousMeter, nowMs)];
  for (const [place, reading] of newest.entries()) {
    if (reading !== null) saved.push(saveReading(reading, previousBatteries[place] ?? null, nowMs));
  }
  return saved;
}

function saveReading(newest: Reading, before: Reading | null, nowMs: number): SavedReading {
  const row = quantitiesOf(newest);
  const saved: SavedReading = [newest.device, nowMs - newest.at, row];
  if (before === null) return saved;
  let bits = 0;
  const others = quantitiesOf(before).filter((value, i) => {
    if (value === row[i]) return false;
    bits |= 1 << i;
    return true;
  });
  return [...saved, [newest.at - before.at, bits, ...others]];
}

/** Older first. */
function restoreReadings([device, agoMs, row, before]: SavedReading, view: SiteView): Reading[] {
  const at = view.nowMs - agoMs;
  const newest = readingOf(device, at, row, view.site);
  if (before === undefined) return [newest];
  const [olderMs, bits, ...others] = before;
  const then = row.map((value, i) => ((Number(bits) >> i) & 1 ? (others.shift() ?? null) : value));
  return [readingOf(device, at - Number(olderMs), then, view.site), newest];
}

function quantitiesOf(reading: Reading): SavedQuantity[] {
  return reading.kind === 'meter'
    ? METER_QUANTITIES.map(({ field }) => reading[field])
    : BATTERY_QUANTITIES.map(({ field }) => reading[field]);
}

function readingOf(device: string, at: number, row: readonly SavedQuantity[], { meter }: Site): Reading {
  const quantities = device === meter.device ? METER_QUANTITIES : BATTERY_QUANTITIES;
  const empty = device === meter.device ? emptyMeterReading(device, at) : emptyBatteryReading(device, at);
  return { ...empty, ...Object.fromEntries(quantities.map(({ field }, i) => [field, row[i] ?? null])) };
}

function saveModel(name: ModelName, view: SiteView): [string, unknown] {
  const { shape, write } = CHECKPOINTS[name];
  return [shape, write(view[name], view.nowMs)];
}

function restore<S>(name: ModelName, model: Model<S>, site: Site, saved: SavedView | undefined): S {
  if (saved === undefined) return model.start(site);
  const { shape, read } = CHECKPOINTS[name];
  const parsed = model.state.safeParse(read(saved.models[shape], saved.nowMs));
  return parsed.success ? parsed.data : model.start(site);
}
