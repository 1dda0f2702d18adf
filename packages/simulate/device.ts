// A device and its way to the broker: when it measures, what its clock says, how it counts, and what becomes of
// a reading on a home's radio. Rates of small troubles are such that they raise nothing (common practice).

import { BATTERY_QUANTITIES, METER_QUANTITIES, type Reading, type Site } from '@afterwatt/wire';
import type { DeviceConditions } from './conditions.ts';
import type { BatteryInstrument, MeterInstrument } from './instruments.ts';
import { randomStream } from './random.ts';
import type { HomeScenario, Packet, StateBody } from './scenario.ts';
import type { World } from './world.ts';

const SECOND_MS = 1000;
const MINUTE_MS = 60_000;
const DAY_MS = 86_400_000;

const LOSS_RATE = 0.0002;
const DOUBLE_RATE = 0.0005;
const SWAP_RATE = 0.0003;
const LINK_DROPS_A_DAY = 0.2;
const FIRMWARE_UPDATES_A_DAY = 1 / 45;
/** A broker gives up on a client after one and a half keep-alives (MQTT 5, 3.1.2.10). */
const LAST_WILL_AFTER_MS = 90 * SECOND_MS;
const DEFAULT_COARSE_PERIOD_S = 60;

export interface Device {
  readonly id: string;
  /** When it measures next, true time. */
  nextMs(): number;
  /** Measures, and hands over what reaches the broker now. */
  measure(world: World): readonly Packet[];
}

/** @param index 0 for the meter, n for the nth battery */
export function startDevice(
  scenario: HomeScenario,
  index: number,
  instrument: MeterInstrument | BatteryInstrument,
): Device {
  const { site, seed, fromMs, coarseUntilMs = Number.NEGATIVE_INFINITY } = scenario;
  const { id, periodS } = describe(site, index);
  const coarseS = Math.max(periodS, scenario.coarsePeriodS ?? DEFAULT_COARSE_PERIOD_S);
  const random = randomStream(seed, id, 'link');
  const traits = randomStream(seed, id, 'traits');
  const phaseMs = Math.floor(traits.uniform() * periodS * SECOND_MS);
  const clockOffsetMs = traits.between(-1200, 1200);
  const clockDrift = traits.between(-12e-6, 12e-6);
  const rssiMedianDbm = traits.between(-66, -48);
  const stateAtMs = Math.floor(traits.uniform() * DAY_MS);
  const restartsCount = traits.chance(0.5);

  let nextMs = firstSampleMs();
  let seq = 0;
  let firmware = 10 + Math.floor(traits.uniform() * 20);
  let rssiWander = 0;
  let held: Packet[] = [];
  let swapped: Packet | undefined;
  let silentSinceMs: number | undefined;
  let willSent = false;
  let selfTest: DeviceConditions['selfTest'] = 'passes';
  let selfTestDueMs = Number.POSITIVE_INFINITY;
  let day = Number.NaN;
  let troubles: Troubles = NO_TROUBLES;
  let updatedFirmware = firmware;
  let frozen: { field: string; value: unknown } | null = null;
  let started = false;

  function firstSampleMs(): number {
    return sampleFrom(fromMs);
  }

  /** The first sample at or after an instant. */
  function sampleFrom(atMs: number): number {
    const periodMs = SECOND_MS * (atMs < coarseUntilMs ? coarseS : periodS);
    const next = Math.ceil((atMs - phaseMs) / periodMs) * periodMs + phaseMs;
    return atMs < coarseUntilMs && next >= coarseUntilMs ? sampleFrom(coarseUntilMs) : next;
  }

  function measure(world: World): readonly Packet[] {
    const { atMs } = world;
    nextMs = sampleFrom(atMs + 1);
    const conditions = world.conditions.devices[index];
    if (conditions === undefined) throw new RangeError(`no device ${index}`);
    const packets: Packet[] = [];
    if (conditions.silent) return keepSilent(atMs, conditions, packets);
    if (silentSinceMs !== undefined || !started) {
      packets.push(statePacket(atMs, conditions, { online: true }));
      if (!started && conditions.selfTest !== 'is not made')
        selfTestDueMs = atMs + random.between(1, 20) * MINUTE_MS;
      started = true;
      silentSinceMs = undefined;
      willSent = false;
      selfTest = conditions.selfTest;
    }
    lookUpTroubles(atMs);
    if (conditions.selfTest !== selfTest) {
      selfTest = conditions.selfTest;
      if (selfTest !== 'passes') updateFirmware(atMs, conditions, packets);
      if (selfTest !== 'is not made') selfTestDueMs = atMs + 5 * MINUTE_MS;
    }
    if (isUpdating(atMs)) return packets;
    if (troubles.update !== undefined && atMs >= troubles.update.toMs && troubles.update.pending) {
      troubles.update.pending = false;
      updateFirmware(atMs, conditions, packets);
    }
    reportState(atMs, conditions, packets);
    sendReading(world, conditions, packets);
    return packets;
  }

  function keepSilent(atMs: number, conditions: DeviceConditions, packets: Packet[]): readonly Packet[] {
    silentSinceMs ??= atMs;
    held = [];
    if (conditions.lastWill && !willSent && atMs - silentSinceMs >= LAST_WILL_AFTER_MS) {
      willSent = true;
      packets.push({ kind: 'state', at: atMs, device: id, state: { online: false } });
    }
    return packets;
  }

  function lookUpTroubles(atMs: number): void {
    const today = Math.floor(atMs / DAY_MS);
    if (today === day) return;
    day = today;
    troubles = troublesOfDay(seed, id, today);
  }

  function isUpdating(atMs: number): boolean {
    return troubles.update !== undefined && atMs >= troubles.update.fromMs && atMs < troubles.update.toMs;
  }

  function updateFirmware(atMs: number, conditions: DeviceConditions, packets: Packet[]): void {
    updatedFirmware += 1;
    firmware = updatedFirmware;
    if (restartsCount) seq = 0;
    packets.push(statePacket(atMs, conditions, { online: true }));
    if (conditions.selfTest !== 'is not made') selfTestDueMs = atMs + random.between(2, 15) * MINUTE_MS;
  }

  /** Once a day, and when a self-test was made. */
  function reportState(atMs: number, conditions: DeviceConditions, packets: Packet[]): void {
    const dayMs = (((atMs - stateAtMs) % DAY_MS) + DAY_MS) % DAY_MS;
    const daily = dayMs < nextMs - atMs && conditions.selfTest === 'passes';
    if (atMs < selfTestDueMs && !daily) return;
    selfTestDueMs = Number.POSITIVE_INFINITY;
    const at = new Date(deviceClockMs(atMs, conditions)).toISOString();
    const passed = conditions.selfTest === 'passes';
    const result = passed ? { at, passed } : { at, passed, detail: 'relay did not open in time' };
    packets.push(statePacket(atMs, conditions, { online: true, selfTest: result }));
  }

  function statePacket(atMs: number, conditions: DeviceConditions, body: StateBody): Packet {
    const clock = new Date(deviceClockMs(atMs, conditions)).toISOString();
    return { kind: 'state', at: atMs, device: id, state: { ...body, firmware: `1.${firmware}.0`, clock } };
  }

  function deviceClockMs(atMs: number, { clockSkewMs }: DeviceConditions): number {
    // Set right once a day.
    const sinceSetMs = (((atMs - stateAtMs) % DAY_MS) + DAY_MS) % DAY_MS;
    return Math.round(atMs + clockOffsetMs + clockDrift * sinceSetMs + clockSkewMs);
  }

  function sendReading(world: World, conditions: DeviceConditions, packets: Packet[]): void {
    const { atMs } = world;
    const reading = instrument(world, deviceClockMs(atMs, conditions));
    rssiWander = 0.98 * rssiWander + 0.35 * random.normal();
    const medianDbm = Math.min(rssiMedianDbm, conditions.rssiMedianDbm ?? 0);
    reading.rssiDbm = Math.round(medianDbm + rssiWander + random.normal());
    reading.seq = seq;
    reading.periodS = atMs < coarseUntilMs ? coarseS : periodS;
    seq += 1;
    freeze(reading, conditions);
    if (random.chance(LOSS_RATE + conditions.lossRate)) return;

    const packet: Packet = { kind: 'reading', at: atMs, device: id, reading };
    const { drop } = troubles;
    if (drop !== undefined && atMs >= drop.fromMs && atMs < drop.toMs) {
      held.push(packet);
      return;
    }
    if (held.length > 0) {
      packets.push(statePacket(atMs, conditions, { online: true }));
      for (const late of held) packets.push({ ...late, at: atMs });
      held = [];
    }
    if (swapped === undefined && random.chance(SWAP_RATE)) {
      swapped = packet;
      return;
    }
    packets.push(packet);
    if (swapped !== undefined) packets.push({ ...swapped, at: atMs });
    swapped = undefined;
    if (random.chance(DOUBLE_RATE)) packets.push(packet);
  }

  function freeze(reading: Reading, conditions: DeviceConditions): void {
    if (conditions.frozen === null) {
      frozen = null;
      return;
    }
    const fields: Record<string, unknown> = reading;
    const quantity = [...METER_QUANTITIES, ...BATTERY_QUANTITIES].find(
      (q) => q.quantity === conditions.frozen,
    );
    if (quantity === undefined) throw new RangeError(`no quantity ${conditions.frozen}`);
    frozen ??= { field: quantity.field, value: fields[quantity.field] };
    fields[frozen.field] = frozen.value;
  }

  return { id, nextMs: () => nextMs, measure };
}

interface Troubles {
  readonly drop: { readonly fromMs: number; readonly toMs: number } | undefined;
  readonly update: { readonly fromMs: number; readonly toMs: number; pending: boolean } | undefined;
}

const NO_TROUBLES: Troubles = { drop: undefined, update: undefined };

/** The radio link may drop for a minute (readings wait), or new firmware restart the device (none are made). */
function troublesOfDay(seed: string, id: string, day: number): Troubles {
  const random = randomStream(seed, id, 'troubles', day);
  const at = (): number => day * DAY_MS + random.uniform() * (DAY_MS - 5 * MINUTE_MS);
  const span = (lowS: number, highS: number) => {
    const fromMs = at();
    return { fromMs, toMs: fromMs + random.between(lowS, highS) * SECOND_MS };
  };
  return {
    drop: random.chance(LINK_DROPS_A_DAY) ? span(8, 80) : undefined,
    update: random.chance(FIRMWARE_UPDATES_A_DAY) ? { ...span(40, 110), pending: true } : undefined,
  };
}

function describe(site: Site, index: number): { id: string; periodS: number } {
  if (index === 0) return { id: site.meter.device, periodS: site.meter.periodSeconds };
  const battery = site.batteries[index - 1];
  if (battery === undefined) throw new RangeError(`${site.id} has no device ${index}`);
  return { id: battery.device, periodS: battery.periodSeconds };
}
