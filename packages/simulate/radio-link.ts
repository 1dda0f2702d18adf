// What becomes of a reading on a home's radio: lost, late, doubled, out of order, or held until the link is back.
// The rates are such that they raise nothing (common practice).

import { randomStream } from './random.ts';
import type { Packet, Span } from './scenario.ts';

const DAY_MS = 86_400_000;
const LOSS_RATE = 0.0002;
const DOUBLE_RATE = 0.0005;
const SWAP_RATE = 0.0003;
const DROPS_A_DAY = 0.2;
/** A drop is shorter than a broker's patience with a keep-alive of a minute (MQTT 5, 3.1.2.10: 90 s). */
const DROP_MS = { shortest: 8000, longest: 80_000 };

export interface RadioLink {
  /** Whether the link was down for a while and is up again: the device connects anew. */
  isBack(atMs: number): boolean;
  /** Sends, and adds to `arriving` what reaches the broker now. */
  send(packet: Packet, lossRate: number, arriving: Packet[]): void;
  /** The device is off: what was held is gone. */
  forget(): void;
}

export function startRadioLink(seed: string, device: string): RadioLink {
  const random = randomStream(seed, device, 'link');
  let held: Packet[] = [];
  let overtaken: Packet | undefined;
  let day = Number.NaN;
  let drop: Span | undefined;

  function isDown(atMs: number): boolean {
    const today = Math.floor(atMs / DAY_MS);
    if (today !== day) {
      day = today;
      drop = dropOfDay(seed, device, today);
    }
    return drop !== undefined && atMs >= drop.fromMs && atMs < drop.toMs;
  }

  return {
    isBack: (atMs) => held.length > 0 && !isDown(atMs),
    send(packet, lossRate, arriving) {
      const luck = random.uniform();
      if (luck < LOSS_RATE + lossRate) return;
      if (isDown(packet.at)) {
        held.push(packet);
        return;
      }
      if (held.length > 0) {
        for (const late of held) arriving.push({ ...late, at: packet.at });
        held = [];
      }
      if (overtaken === undefined && luck > 1 - SWAP_RATE) {
        overtaken = packet;
        return;
      }
      arriving.push(packet);
      if (overtaken !== undefined) arriving.push({ ...overtaken, at: packet.at });
      overtaken = undefined;
      if (luck > 1 - SWAP_RATE - DOUBLE_RATE && luck <= 1 - SWAP_RATE) arriving.push(packet);
    },
    forget() {
      held = [];
      overtaken = undefined;
    },
  };
}

function dropOfDay(seed: string, device: string, day: number): Span | undefined {
  const random = randomStream(seed, device, 'drop', day);
  if (!random.chance(DROPS_A_DAY)) return undefined;
  const lengthMs = random.between(DROP_MS.shortest, DROP_MS.longest);
  const fromMs = day * DAY_MS + random.uniform() * (DAY_MS - lengthMs);
  return { fromMs, toMs: fromMs + lengthMs };
}
