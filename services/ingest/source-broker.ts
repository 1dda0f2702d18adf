// Messages from an MQTT 5 broker, through a shared subscription of a persistent session: the broker keeps what is
// not acknowledged, and gives it again to this worker after a lost connection.

import { backoffMs, type Logger, pause, StartupError } from '@afterwatt/runtime';
import { type BrokerLink, BrokerRefusal, openBrokerLink } from './broker-link.ts';
import type { Source, Take } from './message.ts';

/** A broker that starts at the same time as we may take so long. */
const FIRST_CONNECT_MS = 15_000;
/** A broker that was restarted has nobody to give messages to until we are back. */
const RECONNECT_WITHIN_MS = 250;
/** Markers go round every 5 s; one that is older has others behind it, or a backlog before it. */
const CAUGHT_UP_WITHIN_MS = 12_000;

export interface BrokerDeps {
  readonly url: string;
  readonly group: string;
  readonly alone: boolean;
  readonly worker: string;
  readonly take: Take;
  readonly onRoom: (listener: () => void) => void;
  readonly log: Logger;
}

/** @throws StartupError when the broker does not answer, or refuses us */
export async function startBrokerSource(deps: BrokerDeps): Promise<Source> {
  const { log, onRoom } = deps;
  const options = { ...deps, url: new URL(deps.url) };
  const stopping = new AbortController();
  let link: BrokerLink | undefined = await openFirst();
  const running = keepOpen(link);
  onRoom(() => {
    if (!stopping.signal.aborted) link?.resume();
  });

  async function openFirst(): Promise<BrokerLink> {
    const untilMs = Date.now() + FIRST_CONNECT_MS;
    for (let failures = 1; ; failures++) {
      try {
        return await openBrokerLink(options);
      } catch (error) {
        const isFinal = error instanceof BrokerRefusal || Date.now() > untilMs;
        if (isFinal) throw new StartupError(`MQTT_URL: ${describe(error)}`);
        await pause(backoffMs(failures));
      }
    }
  }

  async function keepOpen(first: BrokerLink): Promise<void> {
    log.info({ broker: options.url.host }, 'connected to the broker');
    for (let open = first; ; ) {
      const reason = await open.ended;
      link = undefined;
      if (stopping.signal.aborted) return;
      log.warn({ err: reason }, 'lost the broker; connecting again');
      for (let failures = 1; link === undefined; failures++) {
        await pause(Math.min(backoffMs(failures), RECONNECT_WITHIN_MS), stopping.signal);
        if (stopping.signal.aborted) return;
        try {
          link = open = await openBrokerLink(options);
          log.info({ broker: options.url.host, failures }, 'connected to the broker again');
        } catch (error) {
          log.warn({ err: error, failures }, 'the broker is not there; trying again');
        }
      }
      // The end may have come while it was opening.
      if (stopping.signal.aborted) await link.close();
    }
  }

  return {
    isConnected: () => link !== undefined && Date.now() - link.caughtUpToMs() < CAUGHT_UP_WITHIN_MS,
    stopTaking() {
      stopping.abort();
      link?.pause();
    },
    async close() {
      stopping.abort();
      await link?.close();
      await running;
    },
  };
}

function describe(error: unknown): string {
  if (error instanceof AggregateError) return error.errors.map(describe).join(', ');
  return error instanceof Error ? error.message : String(error);
}
