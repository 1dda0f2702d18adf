// Incidents come back from the shelf when their time there is over, and their history says so.

import { isTransient, type Logger } from '@afterwatt/runtime';
import { asCaller, type Database, unshelveExpired } from '@afterwatt/store';

const EVERYTHING = { role: 'operator', company: null, sites: [] } as const;

/** @returns what stops it */
export function emptyShelf(db: Database, everyMs: number, log: Logger): () => void {
  const timer = setInterval(() => {
    asCaller(db, EVERYTHING, unshelveExpired).catch((error: unknown) => {
      const level = isTransient(error) ? 'warn' : 'error';
      log[level]({ err: error }, 'could not look for incidents to unshelve');
    });
  }, everyMs);
  return () => clearInterval(timer);
}
