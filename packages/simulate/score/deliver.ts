// From what reaches the broker to what the rules read: small transactions, in the order of their commits, which is
// not quite the order of the measurements.

import type { DeviceState, SiteEvent, StormMessage } from '@afterwatt/detect';
import { parseCap } from '@afterwatt/storm';
import type { Reading, Site } from '@afterwatt/wire';
import type { RandomStream } from '../random.ts';
import type { Packet, SiteAlert } from '../scenario.ts';
import { capAlertXml } from '../storm-alert.ts';

const COMMIT_EVERY_MS = 1000;
const PULSE_EVERY_MS = 5000;
/** From the broker to the commit: most at once, some after a retry. */
const DELAY_MS = { usual: 400, most: 3000 };

/** One transaction: what it brought, and the ingest's clock where it was told. */
export interface Commit {
  readonly atMs: number;
  readonly readings: readonly Reading[];
  readonly others: readonly SiteEvent[];
  readonly isPulse: boolean;
}

interface OnItsWay {
  readonly arrivesMs: number;
  readonly packet: Packet;
}

const NONE: readonly never[] = [];
const NEVER = Number.POSITIVE_INFINITY;

export interface Delivery {
  readonly packets: Iterable<Packet>;
  /** Sorted by `at`. */
  readonly storms: readonly StormMessage[];
  readonly random: RandomStream;
  readonly fromMs: number;
  readonly toMs: number;
}

/** Every commit from `fromMs` to `toMs`: the ingest's clock goes on when nothing comes. */
export function* commits(delivery: Delivery): Generator<Commit, void, undefined> {
  const { packets, storms, random, fromMs, toMs } = delivery;
  let onTheirWay: OnItsWay[] = [];
  let earliestMs = NEVER;
  let stormsTold = 0;
  let pulseMs = Math.ceil(fromMs / PULSE_EVERY_MS) * PULSE_EVERY_MS;

  /** When there is something to commit next: commits are made on whole seconds. */
  function dueMs(): number {
    const nextMs = Math.min(earliestMs, storms[stormsTold]?.at ?? NEVER, pulseMs);
    return Math.ceil(nextMs / COMMIT_EVERY_MS) * COMMIT_EVERY_MS;
  }

  function commit(atMs: number): Commit {
    const isPulse = atMs === pulseMs;
    if (isPulse) pulseMs += PULSE_EVERY_MS;
    const storm = storms[stormsTold];
    const hasStorm = storm !== undefined && storm.at <= atMs;
    if (hasStorm) stormsTold += 1;
    if (earliestMs > atMs) return { atMs, readings: NONE, others: hasStorm ? [storm] : NONE, isPulse };
    const readings: Reading[] = [];
    const others: SiteEvent[] = hasStorm ? [storm] : [];
    const stillOnTheirWay: OnItsWay[] = [];
    earliestMs = NEVER;
    for (const one of onTheirWay) {
      if (one.arrivesMs > atMs) {
        stillOnTheirWay.push(one);
        earliestMs = Math.min(earliestMs, one.arrivesMs);
      } else if (one.packet.kind === 'reading') readings.push(one.packet.reading);
      else others.push(stateEvent(one.packet, atMs));
    }
    onTheirWay = stillOnTheirWay;
    return { atMs, readings, others, isPulse };
  }

  for (const packet of packets) {
    for (let atMs = dueMs(); atMs <= packet.at; atMs = dueMs()) yield commit(atMs);
    const arrivesMs = packet.at + Math.min(DELAY_MS.most, random.exponential(DELAY_MS.usual));
    onTheirWay.push({ arrivesMs, packet });
    earliestMs = Math.min(earliestMs, arrivesMs);
  }
  for (let atMs = dueMs(); atMs <= toMs; atMs = dueMs()) yield commit(atMs);
}

/** @throws Error when our own CAP message is not valid */
export function stormMessages(alerts: readonly SiteAlert[], site: Site): StormMessage[] {
  return [...alerts]
    .sort((a, b) => a.sentMs - b.sentMs)
    .map((alert) => {
      const parsed = parseCap(capAlertXml(alert, site));
      if (!parsed.ok) throw new Error(`an invented storm alert is not CAP: ${parsed.problems[0]?.message}`);
      return { kind: 'storm', at: alert.sentMs, alert: parsed.alert };
    });
}

function stateEvent({ device, state }: Packet & { kind: 'state' }, atMs: number): DeviceState {
  const instant = (text: string | undefined) => (text === undefined ? null : Date.parse(text));
  return {
    kind: 'state',
    device,
    at: atMs,
    online: state.online ?? null,
    firmware: state.firmware ?? null,
    selfTestAt: instant(state.selfTest?.at),
    selfTestPassed: state.selfTest?.passed ?? null,
    clockAt: instant(state.clock),
  };
}
