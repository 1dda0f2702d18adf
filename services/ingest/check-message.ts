// One message, decoded and checked: what of it goes to the tables, and what to quarantine. Nothing is thrown
// away silently, and nothing here waits.

import type { RegisteredDevice } from '@afterwatt/store';
import {
  type DeviceState,
  decodeAny,
  decodeState,
  parseTopic,
  type Reading,
  type ReadingBlock,
  type RefusalReason,
  type RefusedRecord,
  readPlain,
} from '@afterwatt/wire';
import type { Message } from './message.ts';
import type { Registry } from './registry.ts';

/** Why something lies in quarantine: what wire refuses, and what only the registry or the database can know. */
export type QuarantineReason = RefusalReason | 'topic' | 'unknown-device' | 'other-company' | 'not-storable';

/** Records of one message that share name and reason, or the message as a whole. */
export interface Refused {
  readonly reason: QuarantineReason;
  /** About the first of them. */
  readonly detail: string;
  /** The resolved name; null = the whole message, or records of many names. */
  readonly record: string | null;
  records: number;
}

export interface Origin {
  readonly company: string | null;
  readonly site: string | null;
  readonly device: string | null;
}

export interface Checked {
  readonly origin: Origin;
  /** Undefined when the message is refused as a whole. */
  readonly device: RegisteredDevice | undefined;
  readonly readings: readonly Reading[] | ReadingBlock;
  readonly state: DeviceState | undefined;
  readonly refused: readonly Refused[];
}

/** Names listed for a message; a hostile one could bring a hundred thousand. What goes beyond is counted by reason. */
const MOST_NAMES = 20;

const NONE: readonly never[] = [];

/**
 * @param block where the readings of a plain pack are put; it is good until the next call with it
 * @returns 'unknown device' when the registry has none of that name, so that the caller can look again once
 */
export function checkMessage(
  message: Message,
  registry: Registry,
  block: ReadingBlock,
): Checked | 'unknown device' {
  const topic = parseTopic(message.topic);
  if (topic === undefined) {
    const detail = 'The topic must be afterwatt/v1/{site}/{device}/readings or …/state.';
    return refuseWhole({ company: message.company ?? null, site: null, device: null }, 'topic', detail);
  }
  const { site, device } = topic;
  const registered = registry.find(site, device);
  if (registered === undefined) return 'unknown device';
  if (message.company !== undefined && message.company !== registered.company) {
    const detail = `The site ${site} is not one of the company whose credential this came with.`;
    return refuseWhole({ company: message.company, site, device }, 'other-company', detail);
  }
  const { payload, contentType, receivedAtMs } = message;
  const common = { origin: registered, device: registered };
  if (topic.kind === 'state') {
    const decoded = decodeState(payload);
    if (decoded.kind === 'refused') return refuseWhole(registered, decoded.reason, decoded.detail);
    return { ...common, readings: NONE, state: decoded.state, refused: NONE };
  }
  if (readPlain(payload, contentType, receivedAtMs, block)) {
    return { origin: registered, device: registered, readings: block, state: undefined, refused: NONE };
  }
  const decoded = decodeAny(payload, contentType, receivedAtMs, device);
  if (decoded.kind === 'refused') return refuseWhole(registered, decoded.reason, decoded.detail);
  const refused = decoded.refused.length === 0 ? NONE : group(decoded.refused);
  return { ...common, readings: decoded.readings, state: undefined, refused };
}

/** For a device that is still unknown after looking again. */
export function refuseUnknown(message: Message, registry: Registry): Checked {
  const topic = parseTopic(message.topic);
  const site = topic?.site ?? null;
  const device = topic?.device ?? null;
  const owner = site === null ? undefined : registry.companyOf(site);
  const isOther = message.company !== undefined && owner !== undefined && owner !== message.company;
  const detail =
    owner === undefined || isOther
      ? `No site ${site} is registered.`
      : `The site ${site} has no device ${device}: its registration names its meter and its batteries.`;
  return refuseWhole({ company: message.company ?? owner ?? null, site, device }, 'unknown-device', detail);
}

export function refuseWhole(origin: Origin, reason: QuarantineReason, detail: string): Checked {
  const refused = [{ reason, detail, record: null, records: 1 }];
  return { origin, device: undefined, readings: NONE, state: undefined, refused };
}

function group(records: readonly RefusedRecord[]): Refused[] {
  const groups = new Map<string, Refused>();
  for (const { reason, detail, name } of records) {
    const byName = `${reason} ${name}`;
    const key = groups.has(byName) || groups.size < MOST_NAMES ? byName : reason;
    const known = groups.get(key);
    if (known !== undefined) known.records += 1;
    else groups.set(key, { reason, detail, record: key === reason ? null : name, records: 1 });
  }
  return [...groups.values()];
}
