// One message, decoded and checked: what of it goes to the tables, and what to quarantine. Nothing is thrown
// away silently, and nothing here waits.

import type { PlacedReading, RegisteredDevice } from '@afterwatt/store';
import {
  type DeviceState,
  decodeReadings,
  decodeState,
  parseTopic,
  type RefusalReason,
} from '@afterwatt/wire';
import type { Message } from './message.ts';
import type { Registry } from './registry.ts';

/** Why something lies in quarantine: what wire refuses, and what only the database can know. */
export type QuarantineReason = RefusalReason | 'topic' | 'unknown-device' | 'not-storable';

export interface Refused {
  readonly company: string | null;
  readonly site: string | null;
  readonly device: string | null;
  readonly reason: QuarantineReason;
  readonly detail: string;
  readonly record: string | null;
  readonly message: Message;
}

export interface StateOfDevice {
  readonly device: RegisteredDevice;
  readonly receivedAtMs: number;
  readonly state: DeviceState;
}

export interface Checked {
  readonly readings: readonly PlacedReading[];
  readonly states: readonly StateOfDevice[];
  readonly refused: readonly Refused[];
}

/** @returns 'unknown device' when the registry has none of that name, so that the caller can look again once */
export function checkMessage(message: Message, registry: Registry): Checked | 'unknown device' {
  const topic = parseTopic(message.topic);
  if (topic === undefined) {
    const detail = 'The topic must be afterwatt/v1/{site}/{device}/readings or …/state.';
    return refuseWhole(message, null, null, null, 'topic', detail);
  }
  const { site, device } = topic;
  const registered = registry.find(site, device);
  if (registered === undefined) return 'unknown device';
  const { company, siteNo, deviceNo } = registered;
  if (topic.kind === 'state') {
    const decoded = decodeState(message.payload);
    if (decoded.kind === 'refused')
      return refuseWhole(message, company, site, device, decoded.reason, decoded.detail);
    const { state } = decoded;
    return {
      readings: [],
      states: [{ device: registered, receivedAtMs: message.receivedAtMs, state }],
      refused: [],
    };
  }
  const decoded = decodeReadings(message.payload, message.contentType, message.receivedAtMs, device);
  if (decoded.kind === 'refused')
    return refuseWhole(message, company, site, device, decoded.reason, decoded.detail);
  return {
    readings: decoded.readings.map((reading) => ({ siteNo, deviceNo, reading })),
    states: [],
    refused: decoded.refused.map(({ reason, detail, name }) => ({
      company,
      site,
      device,
      reason,
      detail,
      record: name,
      message,
    })),
  };
}

/** For a device that is still unknown after looking again. */
export function refuseUnknown(message: Message, registry: Registry): Checked {
  const topic = parseTopic(message.topic);
  const site = topic?.site ?? null;
  const device = topic?.device ?? null;
  const company = site === null ? undefined : registry.companyOf(site);
  const detail =
    company === undefined
      ? `No site ${site} is registered.`
      : `The site ${site} has no device ${device}: its registration names its meter and its batteries.`;
  return refuseWhole(message, company ?? null, site, device, 'unknown-device', detail);
}

export function refuseWhole(
  message: Message,
  company: string | null,
  site: string | null,
  device: string | null,
  reason: QuarantineReason,
  detail: string,
): Checked {
  return {
    readings: [],
    states: [],
    refused: [{ company, site, device, reason, detail, record: null, message }],
  };
}
