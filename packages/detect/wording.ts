// How figures are written where people read them.

const MINUTE_MS = 60_000;
const HOUR_MS = 60 * MINUTE_MS;
const DAY_MS = 24 * HOUR_MS;

/** A figure with at most `decimals` decimals (default 0), without trailing zeros. */
export function rounded(value: number, decimals = 0): number {
  const scale = 10 ** decimals;
  // Adding 0 turns a negative zero into a plain one.
  return Math.round(value * scale) / scale + 0;
}

/** A stretch of time: '45 s', '12 min', '3 h 20 min', '2 days 5 h'. @param ms 0 and up */
export function spanText(ms: number): string {
  if (ms < MINUTE_MS) return `${Math.round(ms / 1000)} s`;
  const minutes = Math.round(ms / MINUTE_MS);
  if (minutes < 60) return `${minutes} min`;
  const hours = Math.floor(minutes / 60);
  if (ms < 2 * DAY_MS) return minutes % 60 === 0 ? `${hours} h` : `${hours} h ${minutes % 60} min`;
  return hours % 24 === 0 ? `${hours / 24} days` : `${Math.floor(hours / 24)} days ${hours % 24} h`;
}

/** A time on the site's own clock: 'Tue 3 Mar, 16:30'. @param timeZone IANA name */
export function clockText(atMs: number, timeZone: string): string {
  const part = new Intl.DateTimeFormat('en-US', {
    timeZone,
    weekday: 'short',
    day: 'numeric',
    month: 'short',
    hour: '2-digit',
    minute: '2-digit',
    hourCycle: 'h23',
  }).formatToParts(atMs);
  const of = (type: Intl.DateTimeFormatPartTypes) => part.find((p) => p.type === type)?.value ?? '';
  return `${of('weekday')} ${of('day')} ${of('month')}, ${of('hour')}:${of('minute')}`;
}
