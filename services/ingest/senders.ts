// What one device, or one gateway, may take of what all share, over all of its connections together: how fast it may
// send, and how many connections it may have.

import type { PublishRight } from '@afterwatt/store';
import { ByteRate } from './byte-rate.ts';

interface Limits {
  /** Unacknowledged on one connection, so that none can fill the buffer that all share. */
  readonly messages: number;
  readonly bytes: number;
  readonly bytesPerSecond: number;
  readonly burstBytes: number;
  readonly connections: number;
}

/**
 * The burst is a week's backlog of readings every 5 s, in packs, as JSON; after it a device goes on at thousands of
 * readings a second, a small part of what a worker takes. It needs one connection; those that it lost without noticing
 * may still be there when it comes back.
 */
export const DEVICE: Limits = {
  messages: 100,
  bytes: 2 * 2 ** 20,
  bytesPerSecond: 2 * 2 ** 20,
  burstBytes: 64 * 2 ** 20,
  connections: 4,
};
/** Speaks for thousands of devices. */
const GATEWAY: Limits = {
  messages: 10_000,
  bytes: 8 * 2 ** 20,
  bytesPerSecond: 2 ** 30,
  burstBytes: 2 ** 30,
  connections: Number.POSITIVE_INFINITY,
};

export interface Sender {
  readonly limits: Limits;
  readonly rate: ByteRate;
}

interface KnownSender<C> extends Sender {
  readonly isDevice: boolean;
  /** Oldest first. */
  readonly connections: Set<C>;
}

export interface Senders<C> {
  /** @returns also the oldest connection, where it must make room */
  join(connection: C, right: PublishRight): { readonly sender: Sender; readonly crowdedOut: C | undefined };
  /** @returns false while the same device has another connection */
  leave(connection: C): boolean;
  /** One that comes back at once finds what it has spent; one that rested need not be remembered. */
  forgetRested(nowMs: number): void;
}

export function createSenders<C extends { readonly username: string }>(): Senders<C> {
  const known = new Map<string, KnownSender<C>>();
  const ofConnection = new Map<C, KnownSender<C>>();

  function senderOf({ site, device }: PublishRight, username: string): KnownSender<C> {
    // A device may have two credentials while one is exchanged for the other.
    const name = site === null ? `gateway ${username}` : `${site} ${device}`;
    let sender = known.get(name);
    if (sender === undefined) {
      const limits = site === null ? GATEWAY : DEVICE;
      sender = { limits, rate: new ByteRate(limits), isDevice: site !== null, connections: new Set() };
      known.set(name, sender);
    }
    return sender;
  }

  return {
    join(connection, right) {
      const sender = senderOf(right, connection.username);
      sender.connections.add(connection);
      ofConnection.set(connection, sender);
      const [oldest] = sender.connections;
      const isCrowded = sender.connections.size > sender.limits.connections;
      return { sender, crowdedOut: isCrowded ? oldest : undefined };
    },
    leave(connection) {
      const sender = ofConnection.get(connection);
      if (sender === undefined) return true;
      ofConnection.delete(connection);
      sender.connections.delete(connection);
      return !sender.isDevice || sender.connections.size === 0;
    },
    forgetRested(nowMs) {
      for (const [name, { connections, rate }] of known) {
        if (connections.size === 0 && rate.isRested(nowMs)) known.delete(name);
      }
    },
  };
}
