// A device: when it measures, what its clock says, how it counts, and what it says about itself.

import { BATTERY_QUANTITIES, METER_QUANTITIES, type Reading, type Site } from '@afterwatt/wire';
import type { DeviceConditions } from './conditions.ts';
import type { BatteryInstrument, MeterInstrument } from './instruments.ts';
import { startRadioLink } from './radio-link.ts';
import { randomStream } from './random.ts';
import type { HomeScenario, Packet, Span, StateBody } from './scenario.ts';
import type { World } from './world.ts';

const SECOND_MS = 1000;
const MINUTE_MS = 60_000;
const DAY_MS = 86_400_000;

const FIRMWARE_UPDATES_A_DAY = 1 / 45;
/** A broker gives up on a client after one and a half keep-alives (MQTT 5, 3.1.2.10). */
const LAST_WILL_AFTER_MS = 90 * SECOND_MS;
const DEFAULT_COARSE_PERIOD_S = 60;

export interface Device {
  /** When it measures next, true time. */
  readonly nextMs: number;
  /** Measures, and adds to `arriving` what reaches the broker now. */
  measure(world: World, arriving: Packet[]): void;
}

/** @param index 0 for the meter, n for the nth battery */
export function startDevice(
  scenario: HomeScenario,
  index: number,
  instrument: MeterInstrument | BatteryInstrument,
): Device {
  const { site, seed, coarseUntilMs = Number.NEGATIVE_INFINITY } = scenario;
  const { id, periodS } = describe(site, index);
  const coarseS = Math.max(periodS, scenario.coarsePeriodS ?? DEFAULT_COARSE_PERIOD_S);
  const random = randomStream(seed, id, 'device');
  const phaseMs = Math.floor(random.uniform() * periodS * SECOND_MS);
  const clockOffsetMs = random.between(-1200, 1200);
  const clockDrift = random.between(-12e-6, 12e-6);
  const usualRssiDbm = random.between(-66, -48);
  /** Time of day (UTC) at which it sets its clock and tests itself. */
  const dailyMs = Math.floor(random.uniform() * DAY_MS);
  let lastDailyMs = dailyMs + DAY_MS * Math.floor((scenario.fromMs - dailyMs) / DAY_MS);
  const countsFromZero = random.chance(0.5);
  const link = startRadioLink(seed, id);

  let phase: 'new' | 'running' | 'silent' = 'new';
  let silentSinceMs = 0;
  let willSent = false;
  let seq = 0;
  let firmware = 10 + Math.floor(random.uniform() * 20);
  let updating: Span | undefined;
  let day = Number.NaN;
  let selfTests: DeviceConditions['selfTest'] = 'passes';
  let selfTestDueMs = Number.POSITIVE_INFINITY;
  let lastSelfTest: StateBody['selfTest'];
  let frozen: { readonly field: string; readonly value: unknown } | undefined;
  // Numbers that change with every reading stand in objects: V8 keeps those of a closure in a new box each time.
  const device = { nextMs: sampleFrom(scenario.fromMs), measure };
  const rssi = { wanderDb: 0 };

  /** The first sample at or after an instant. */
  function sampleFrom(atMs: number): number {
    const periodMs = SECOND_MS * (atMs < coarseUntilMs ? coarseS : periodS);
    const next = Math.ceil((atMs - phaseMs) / periodMs) * periodMs + phaseMs;
    return atMs < coarseUntilMs && next >= coarseUntilMs ? sampleFrom(coarseUntilMs) : next;
  }

  function measure(world: World, arriving: Packet[]): void {
    const { atMs } = world;
    device.nextMs = sampleFrom(atMs + 1);
    const conditions = world.conditions.devices[index];
    if (conditions === undefined) throw new RangeError(`no device ${index}`);
    if (conditions.silent) {
      keepSilent(atMs, conditions, arriving);
      return;
    }
    if (phase !== 'running') connect(atMs, conditions, arriving);
    if (isUpdating(atMs, conditions, arriving)) return;
    testItself(atMs, conditions, arriving);
    if (link.isBack(atMs)) arriving.push(statePacket(atMs, conditions));
    link.send(readingPacket(world, conditions), conditions.lossRate, arriving);
  }

  function keepSilent(atMs: number, { lastWill }: DeviceConditions, arriving: Packet[]): void {
    if (phase !== 'silent') {
      phase = 'silent';
      silentSinceMs = atMs;
      willSent = false;
      link.forget();
    }
    if (!lastWill || willSent || atMs - silentSinceMs < LAST_WILL_AFTER_MS) return;
    willSent = true;
    arriving.push({ kind: 'state', at: atMs, device: id, state: { online: false } });
  }

  function connect(atMs: number, conditions: DeviceConditions, arriving: Packet[]): void {
    if (phase === 'new') {
      selfTests = conditions.selfTest;
      if (selfTests !== 'is not made') selfTestDueMs = atMs + random.between(1, 20) * MINUTE_MS;
    }
    phase = 'running';
    arriving.push(statePacket(atMs, conditions));
  }

  /** New firmware comes now and then, and where self-tests cease to pass: nothing is measured while it is written. */
  function isUpdating(atMs: number, conditions: DeviceConditions, arriving: Packet[]): boolean {
    const today = Math.floor(atMs / DAY_MS);
    if (today !== day) {
      day = today;
      updating ??= updateOfDay(seed, id, today);
    }
    if (conditions.selfTest !== selfTests) {
      selfTests = conditions.selfTest;
      if (selfTests === 'passes') selfTestDueMs = atMs;
      else updating = { fromMs: atMs, toMs: atMs + MINUTE_MS };
    }
    if (updating === undefined || atMs < updating.fromMs) return false;
    if (atMs < updating.toMs) return true;
    updating = undefined;
    firmware += 1;
    lastSelfTest = undefined;
    if (countsFromZero) seq = 0;
    selfTestDueMs =
      selfTests === 'is not made' ? Number.POSITIVE_INFINITY : atMs + random.between(2, 15) * MINUTE_MS;
    arriving.push(statePacket(atMs, conditions));
    return false;
  }

  /** Soon after its start and after new firmware, and then daily while it passes. */
  function testItself(atMs: number, conditions: DeviceConditions, arriving: Packet[]): void {
    const isDaily = selfTests === 'passes' && sinceDaily(atMs) < device.nextMs - atMs;
    if (atMs < selfTestDueMs && !isDaily) return;
    selfTestDueMs = Number.POSITIVE_INFINITY;
    const at = clockText(atMs, conditions);
    lastSelfTest =
      selfTests === 'passes'
        ? { at, passed: true }
        : { at, passed: false, detail: 'relay did not open in time' };
    arriving.push(statePacket(atMs, conditions));
  }

  function statePacket(atMs: number, conditions: DeviceConditions): Packet {
    const state: StateBody = {
      online: true,
      firmware: `1.${firmware}.0`,
      clock: clockText(atMs, conditions),
      ...(lastSelfTest === undefined ? {} : { selfTest: lastSelfTest }),
    };
    return { kind: 'state', at: atMs, device: id, state };
  }

  function readingPacket(world: World, conditions: DeviceConditions): Packet {
    const { atMs } = world;
    const reading = instrument(world, clockMs(atMs, conditions));
    rssi.wanderDb = 0.98 * rssi.wanderDb + 0.35 * random.normal();
    const medianDbm = Math.min(usualRssiDbm, conditions.rssiMedianDbm ?? 0);
    reading.rssiDbm = Math.round(medianDbm + rssi.wanderDb + random.normal());
    reading.seq = seq;
    reading.periodS = atMs < coarseUntilMs ? coarseS : periodS;
    seq += 1;
    if (conditions.frozen !== null) freeze(reading, conditions.frozen);
    else frozen = undefined;
    return { kind: 'reading', at: atMs, device: id, reading };
  }

  function freeze(reading: Reading, name: string): void {
    const fields: Record<string, unknown> = reading;
    frozen ??= { field: fieldOf(name), value: fields[fieldOf(name)] };
    fields[frozen.field] = frozen.value;
  }

  function sinceDaily(atMs: number): number {
    while (atMs >= lastDailyMs + DAY_MS) lastDailyMs += DAY_MS;
    return atMs - lastDailyMs;
  }

  function clockMs(atMs: number, { clockSkewMs }: DeviceConditions): number {
    return Math.round(atMs + clockOffsetMs + clockDrift * sinceDaily(atMs) + clockSkewMs);
  }

  function clockText(atMs: number, conditions: DeviceConditions): string {
    return new Date(clockMs(atMs, conditions)).toISOString();
  }

  return device;
}

function updateOfDay(seed: string, device: string, day: number): Span | undefined {
  const random = randomStream(seed, device, 'update', day);
  if (!random.chance(FIRMWARE_UPDATES_A_DAY)) return undefined;
  const fromMs = day * DAY_MS + random.uniform() * DAY_MS;
  return { fromMs, toMs: fromMs + random.between(40, 110) * SECOND_MS };
}

function fieldOf(name: string): string {
  const quantity = [...METER_QUANTITIES, ...BATTERY_QUANTITIES].find((q) => q.quantity === name);
  if (quantity === undefined) throw new RangeError(`no quantity ${name}`);
  return quantity.field;
}

function describe(site: Site, index: number): { id: string; periodS: number } {
  if (index === 0) return { id: site.meter.device, periodS: site.meter.periodSeconds };
  const battery = site.batteries[index - 1];
  if (battery === undefined) throw new RangeError(`${site.id} has no device ${index}`);
  return { id: battery.device, periodS: battery.periodSeconds };
}
