// What may pass by itself, told by code, and how long to wait before trying again.

/** SQLSTATE classes and codes after which the same transaction may succeed (PostgreSQL appendix A). */
const TRANSIENT_SQLSTATES = [
  '08', // connection exception
  '40', // transaction rollback: serialization failure, deadlock
  '53', // insufficient resources: disk full, out of memory, too many connections
  '55P03', // lock not available
  '57P', // operator intervention: shutdown, crash, cannot connect now
  '58', // system error: I/O error
];

const TRANSIENT_SOCKET_CODES = new Set([
  'ECONNREFUSED',
  'ECONNRESET',
  'ECONNABORTED',
  'EPIPE',
  'ETIMEDOUT',
  'EHOSTUNREACH',
  'ENETUNREACH',
  'ENOTFOUND',
  'EAI_AGAIN',
]);

/** node-postgres raises these without a code. */
const TRANSIENT_MESSAGES = [
  'Connection terminated',
  'Client has encountered a connection error',
  'timeout exceeded when trying to connect',
  'Query read timeout',
];

/** True when the error says that the same work may succeed later, so that it is neither bad input nor a bug. */
export function isTransient(error: unknown): boolean {
  if (!(error instanceof Error)) return false;
  const code = 'code' in error && typeof error.code === 'string' ? error.code : '';
  if (TRANSIENT_SOCKET_CODES.has(code)) return true;
  if (/^[0-9A-Z]{5}$/.test(code)) return TRANSIENT_SQLSTATES.some((known) => code.startsWith(known));
  return TRANSIENT_MESSAGES.some((message) => error.message.startsWith(message));
}

const FIRST_MS = 100;
const LONGEST_MS = 5_000;

/**
 * Milliseconds to wait before try `attempt` (1 and up): doubling from 0.1 s to 5 s, with full jitter so that
 * many workers do not come back at the same moment.
 */
export function backoffMs(attempt: number, random: () => number = Math.random): number {
  const ceiling = Math.min(LONGEST_MS, FIRST_MS * 2 ** Math.min(attempt - 1, 16));
  return ceiling / 2 + random() * (ceiling / 2);
}

/** Waits, or returns early when `signal` is aborted. */
export function pause(ms: number, signal?: AbortSignal): Promise<void> {
  return new Promise((resolve) => {
    if (signal?.aborted) return resolve();
    const timer = setTimeout(finish, ms);
    function finish() {
      clearTimeout(timer);
      signal?.removeEventListener('abort', finish);
      resolve();
    }
    signal?.addEventListener('abort', finish, { once: true });
  });
}
