import { decodePack, formatOf, MAX_PAYLOAD_BYTES } from './decode-pack.ts';
import { readPlainCbor } from './plain-cbor.ts';
import { readPlainJson } from './plain-json.ts';
import {
  findQuantity,
  findRangeProblem,
  readValue,
  type ValueProblem,
  type WireQuantity,
} from './quantities.ts';
import {
  type BatteryQuantity,
  type BatteryReading,
  emptyBatteryReading,
  emptyMeterReading,
  type MeterQuantity,
  type MeterReading,
  PERIOD,
  type Reading,
} from './reading.ts';
import { ReadingBlock } from './reading-block.ts';
import { printable, type Refusal, type RefusedRecord } from './refusal.ts';
import { type ResolvedRecord, resolvePack } from './senml.ts';

const DAY_MS = 86_400_000;
/** Older than what any backlog holds, or a clock that lost its date. */
const MAX_AGE_MS = 400 * DAY_MS;
/** More than a wrong time zone: a wrong date, which would put readings where nobody looks for them. */
const MAX_AHEAD_MS = DAY_MS;
const AGE_LIMITS = { maxAgeMs: MAX_AGE_MS, maxAheadMs: MAX_AHEAD_MS };

/** What became of one message on a readings topic. */
export type DecodedReadings =
  | {
      kind: 'accepted';
      /** In chronological order, one a kind and time. */
      readings: Reading[];
      /** The records that were not accepted. */
      refused: RefusedRecord[];
    }
  | Refusal;

const UNKNOWN_QUANTITY: ValueProblem = {
  reason: 'unknown-quantity',
  rule: 'must end in the name of a quantity of a meter or a battery, after the last / or :',
};
const TOO_OLD: ValueProblem = { reason: 'too-old', rule: 'must be at most 400 days older than its arrival' };
const TOO_FAR_AHEAD: ValueProblem = {
  reason: 'too-far-ahead',
  rule: 'must be at most 1 day ahead of its arrival',
};
const NO_KIND: ValueProblem = {
  reason: 'no-kind',
  rule: 'must come with a quantity that tells a meter from a battery',
};

/** What one pack gave so far. */
type Gathering = {
  device: string;
  receivedAtMs: number;
  /** By device time. */
  meters: Map<number, MeterReading>;
  batteries: Map<number, BatteryReading>;
  /** Whether the pack names a quantity that only a meter, only a battery has, be its value good or not. */
  namesMeter: boolean;
  namesBattery: boolean;
  refused: RefusedRecord[];
};

/**
 * Reads one message of a readings topic: a SenML pack (RFC 8428) in JSON or CBOR. Records at the same time become
 * one reading. A record that cannot be accepted is set aside with its reason, the rest of the pack is kept; a
 * payload that is no pack is refused as a whole. It throws nothing, whatever the payload.
 * @param contentType the MQTT 5 content type, if the message has one
 * @param receivedAtMs arrival, milliseconds since the Unix epoch: "now" for relative times and for the age limits
 * @param device the device of the topic
 */
export function decodeReadings(
  payload: Uint8Array,
  contentType: string | undefined,
  receivedAtMs: number,
  device: string,
): DecodedReadings {
  const block = new ReadingBlock();
  return readPlain(payload, contentType, receivedAtMs, block)
    ? { kind: 'accepted', readings: block.toReadings(device), refused: [] }
    : decodeAny(payload, contentType, receivedAtMs, device);
}

/**
 * The readings of a pack with nothing unusual and nothing wrong, into a block.
 * @returns false = to be read by the general way; what the block holds then means nothing
 */
export function readPlain(
  payload: Uint8Array,
  contentType: string | undefined,
  receivedAtMs: number,
  block: ReadingBlock,
): boolean {
  if (payload.length > MAX_PAYLOAD_BYTES) return false;
  block.begin(receivedAtMs, AGE_LIMITS);
  const format = formatOf(payload, contentType);
  const isPlain =
    (format === 'json' && readPlainJson(payload, block)) ||
    (format === 'cbor' && readPlainCbor(payload, block));
  return isPlain && block.kind !== undefined;
}

/** The general way: any payload, by all of RFC 8428. */
export function decodeAny(
  payload: Uint8Array,
  contentType: string | undefined,
  receivedAtMs: number,
  device: string,
): DecodedReadings {
  const decoded = decodePack(payload, contentType);
  if (decoded.kind === 'refused') return decoded;
  const resolved = resolvePack(decoded.pack, receivedAtMs);
  if (resolved.kind === 'refused') return resolved;

  const gathering: Gathering = {
    device,
    receivedAtMs,
    meters: new Map(),
    batteries: new Map(),
    namesMeter: false,
    namesBattery: false,
    refused: resolved.refused,
  };
  // Signal strength and counter go with the other quantities of their time, so they wait for those.
  const ofEitherKind: ResolvedRecord[] = [];
  for (const record of resolved.records) {
    const wire = findQuantity(record.n);
    if (wire?.meter !== undefined && wire.battery !== undefined) ofEitherKind.push(record);
    else takeRecord(record, wire, gathering);
  }
  for (const record of ofEitherKind) takeRecord(record, findQuantity(record.n), gathering);
  return { kind: 'accepted', readings: inOrder(gathering), refused: gathering.refused };
}

/** Puts the value of one record into the reading of its time, or sets the record aside. */
function takeRecord(record: ResolvedRecord, wire: WireQuantity | undefined, gathering: Gathering): void {
  const at = Math.round(record.t * 1000);
  const problem = wire === undefined ? UNKNOWN_QUANTITY : placeRecord(record, wire, at, gathering);
  if (problem !== undefined) setAside(record, at, problem, gathering);
}

function placeRecord(
  record: ResolvedRecord,
  wire: WireQuantity,
  at: number,
  gathering: Gathering,
): ValueProblem | undefined {
  const { meter, battery } = wire;
  if (battery === undefined) gathering.namesMeter = true;
  if (meter === undefined) gathering.namesBattery = true;

  if (at < gathering.receivedAtMs - MAX_AGE_MS) return TOO_OLD;
  if (at > gathering.receivedAtMs + MAX_AHEAD_MS) return TOO_FAR_AHEAD;
  const value = readValue(wire, record);
  if (typeof value === 'object') return value;

  const { meters, batteries, namesMeter, namesBattery } = gathering;
  // What is of either kind goes with the readings of its time, else with the only kind that the pack has.
  const goesToMeter = battery === undefined || meters.has(at) || (namesMeter && !namesBattery);
  const goesToBattery = meter === undefined || batteries.has(at) || (namesBattery && !namesMeter);
  let problem: ValueProblem | undefined = NO_KIND;
  if (meter !== undefined && goesToMeter) {
    const reading = meterReadingAt(at, gathering);
    problem = putIntoMeter(reading, meter, value);
    putPeriod(reading, record, gathering);
  }
  if (battery !== undefined && goesToBattery) {
    const reading = batteryReadingAt(at, gathering);
    problem = putIntoBattery(reading, battery, value);
    putPeriod(reading, record, gathering);
  }
  return problem;
}

function meterReadingAt(at: number, { device, meters }: Gathering): MeterReading {
  const known = meters.get(at);
  if (known !== undefined) return known;
  const reading = emptyMeterReading(device, at);
  meters.set(at, reading);
  return reading;
}

function batteryReadingAt(at: number, { device, batteries }: Gathering): BatteryReading {
  const known = batteries.get(at);
  if (known !== undefined) return known;
  const reading = emptyBatteryReading(device, at);
  batteries.set(at, reading);
  return reading;
}

function putIntoMeter(
  reading: MeterReading,
  { field }: MeterQuantity,
  value: number | boolean,
): ValueProblem | undefined {
  const earlier = reading[field];
  if (earlier !== null) return findContradiction(earlier, value);
  if (typeof value === 'number') reading[field] = value;
  return undefined;
}

function putIntoBattery(
  reading: BatteryReading,
  quantity: BatteryQuantity,
  value: number | boolean,
): ValueProblem | undefined {
  const earlier = reading[quantity.field];
  if (earlier !== null) return findContradiction(earlier, value);
  if (quantity.type === 'boolean') {
    if (typeof value === 'boolean') reading[quantity.field] = value;
  } else if (typeof value === 'number') {
    reading[quantity.field] = value;
  }
  return undefined;
}

/** The same value twice is no harm; of two different ones the first stands, as between messages. */
function findContradiction(earlier: number | boolean, value: number | boolean): ValueProblem | undefined {
  if (earlier === value) return undefined;
  return {
    reason: 'duplicate',
    rule: `must come once a time, it is ${value} after ${earlier} at the same time`,
  };
}

function putPeriod(reading: Reading, record: ResolvedRecord, gathering: Gathering): void {
  if (record.ut === undefined || reading.periodS !== null) return;
  const problem = findRangeProblem(PERIOD, record.ut);
  if (problem === undefined) reading.periodS = record.ut;
  else {
    setAside(
      record,
      reading.at,
      { reason: problem.reason, rule: `has a ut that ${problem.rule}` },
      gathering,
    );
  }
}

function setAside(record: ResolvedRecord, at: number, problem: ValueProblem, { refused }: Gathering): void {
  const name = printable(record.n);
  const detail = `The record "${name}" ${problem.rule}.`;
  // Left out where it is no time at all.
  const known = Number.isSafeInteger(at) ? { at } : {};
  refused.push({ reason: problem.reason, detail, name, ...known });
}

function inOrder({ meters, batteries }: Gathering): Reading[] {
  const readings: Reading[] = [...meters.values(), ...batteries.values()];
  return readings.sort((a, b) => a.at - b.at);
}
