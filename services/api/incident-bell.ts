// Rings when incidents may have changed: on PostgreSQL's NOTIFY, and now and then besides, because a connection
// that is lost for a moment hears nothing of what was notified meanwhile.

import { backoffMs, type Logger, pause } from '@afterwatt/runtime';
import { type Connection, INCIDENT_CHANNEL } from '@afterwatt/store';

const REGULARLY_MS = 5_000;

export interface IncidentBell {
  /** @returns what stops it */
  hear(ring: () => void): () => void;
  stop(): Promise<void>;
}

export function hangIncidentBell({ pool }: Connection, log: Logger): IncidentBell {
  const ears = new Set<() => void>();
  const ring = () => {
    for (const ear of ears) ear();
  };
  const stopping = new AbortController();
  const regularly = setInterval(ring, REGULARLY_MS);

  async function listen(): Promise<void> {
    for (let failures = 0; !stopping.signal.aborted; ) {
      try {
        await listenOnce(() => {
          failures = 0;
          ring();
        });
      } catch (error) {
        failures++;
        log.warn({ err: error, failures }, 'not hearing of incidents; looking for them regularly');
        await pause(backoffMs(failures), stopping.signal);
      }
    }
  }

  /** Resolves when told to stop, rejects when the connection is lost. */
  async function listenOnce(heard: () => void): Promise<void> {
    const client = await pool.connect();
    try {
      client.on('notification', heard);
      const lost = new Promise<never>((_, reject) => client.once('error', reject));
      const stopped = new Promise<void>((resolve) =>
        stopping.signal.addEventListener('abort', () => resolve(), { once: true }),
      );
      await Promise.race([client.query(`listen ${INCIDENT_CHANNEL}`), lost]);
      heard();
      if (!stopping.signal.aborted) await Promise.race([stopped, lost]);
    } finally {
      // Not back into the pool: it still listens.
      client.release(true);
    }
  }

  const listening = listen();
  return {
    hear(ear) {
      ears.add(ear);
      return () => ears.delete(ear);
    },
    async stop() {
      clearInterval(regularly);
      stopping.abort();
      await listening;
    },
  };
}
