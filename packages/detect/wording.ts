// How figures are written where people read them.

const MINUTE_MS = 60_000;
const HOUR_MS = 60 * MINUTE_MS;
const DAY_MS = 24 * HOUR_MS;

/** What stands beside every step that leads to the panel. */
export const PANEL_CAUTION =
  'Work inside a panel or at the inlet circuit is for a licensed electrician under the local code: the line side stays live with the main open, and the battery is a second source.';

/** A time that an alert does not say. */
export const NOT_SAID = 0;

/** Powers of ten: taking one anew cost more than the rounding. */
const SCALES = { 0: 1, 1: 10, 2: 100, 3: 1000, 4: 1e4, 5: 1e5 } as const;

/** A figure with at most `decimals` decimals (default 0), without trailing zeros. */
export function rounded(value: number, decimals: keyof typeof SCALES = 0): number {
  const scale = SCALES[decimals];
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

/** A time on the site's own clock, with its zone, for readers elsewhere: 'Tue 3 Mar, 16:30 MST'. @param timeZone IANA name */
export function clockText(atMs: number, timeZone: string): string {
  const part = new Intl.DateTimeFormat('en-US', {
    timeZone,
    weekday: 'short',
    day: 'numeric',
    month: 'short',
    hour: '2-digit',
    minute: '2-digit',
    hourCycle: 'h23',
    timeZoneName: 'short',
  }).formatToParts(atMs);
  const of = (type: Intl.DateTimeFormatPartTypes) => part.find((p) => p.type === type)?.value ?? '';
  return `${of('weekday')} ${of('day')} ${of('month')}, ${of('hour')}:${of('minute')} ${of('timeZoneName')}`;
}

/** When an event is expected, to follow 'expected'. @param onsetMs or NOT_SAID */
export function expectedText(onsetMs: number, timeZone: string): string {
  return onsetMs === NOT_SAID ? 'at any time' : clockText(onsetMs, timeZone);
}
