// From what reaches the broker to what the rules read: small transactions, in the order of their commits, which is
// not quite the order of the measurements.

import type { DeviceState, SiteEvent, StormMessage } from '@afterwatt/detect';
import { parseCap } from '@afterwatt/storm';
import type { Reading, Site } from '@afterwatt/wire';
import type { RandomStream } from '../random.ts';
import type { HomeSimulation, Packet, SiteAlert } from '../scenario.ts';
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
  readonly home: Pick<HomeSimulation, 'nextPacket'>;
  /** Sorted by `at`. */
  readonly storms: readonly StormMessage[];
  readonly random: RandomStream;
  readonly fromMs: number;
  readonly toMs: number;
}

/**
 * Every commit from `fromMs` to `toMs`, one at each call, then undefined: the ingest's clock goes on when nothing
 * comes.
 */
export function startDelivery(delivery: Delivery): () => Commit | undefined {
  const { home, storms, random, fromMs, toMs } = delivery;
  const onTheirWay: OnItsWay[] = [];
  let stormsTold = 0;
  let packet = home.nextPacket();
  const due = { earliestMs: NEVER, pulseMs: Math.ceil(fromMs / PULSE_EVERY_MS) * PULSE_EVERY_MS };

  /** When there is something to commit next: commits are made on whole seconds. */
  function dueMs(): number {
    const stormMs = stormsTold < storms.length ? (storms[stormsTold]?.at ?? NEVER) : NEVER;
    return Math.ceil(Math.min(due.earliestMs, stormMs, due.pulseMs) / COMMIT_EVERY_MS) * COMMIT_EVERY_MS;
  }

  function send(sent: Packet): void {
    const arrivesMs = sent.at + Math.min(DELAY_MS.most, random.exponential(DELAY_MS.usual));
    onTheirWay.push({ arrivesMs, packet: sent });
    due.earliestMs = Math.min(due.earliestMs, arrivesMs);
  }

  function commit(atMs: number): Commit {
    const isPulse = atMs === due.pulseMs;
    if (isPulse) due.pulseMs += PULSE_EVERY_MS;
    let readings: Reading[] | undefined;
    let others: SiteEvent[] | undefined;
    const storm = stormsTold < storms.length ? storms[stormsTold] : undefined;
    if (storm !== undefined && storm.at <= atMs) {
      stormsTold += 1;
      others = [storm];
    }
    if (due.earliestMs <= atMs) {
      let left = 0;
      due.earliestMs = NEVER;
      for (let index = 0; index < onTheirWay.length; index += 1) {
        const one = onTheirWay[index];
        if (one === undefined) break;
        if (one.arrivesMs > atMs) {
          onTheirWay[left] = one;
          left += 1;
          due.earliestMs = Math.min(due.earliestMs, one.arrivesMs);
        } else if (one.packet.kind === 'state') {
          others = added(others, stateEvent(one.packet, atMs));
        } else readings = added(readings, one.packet.reading);
      }
      while (onTheirWay.length > left) onTheirWay.pop();
    }
    return { atMs, readings: readings ?? NONE, others: others ?? NONE, isPulse };
  }

  return () => {
    let atMs = dueMs();
    while (packet !== undefined && packet.at < atMs) {
      send(packet);
      packet = home.nextPacket();
      atMs = dueMs();
    }
    return packet === undefined && atMs > toMs ? undefined : commit(atMs);
  };
}

/** Most commits bring one thing: a list of one is small where one that grows is not. */
function added<T>(list: T[] | undefined, one: T): T[] {
  if (list === undefined) return [one];
  list.push(one);
  return list;
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
