// How times and figures are written.

const MINUTE_MS = 60_000;
const HOUR_MS = 60 * MINUTE_MS;
const DAY_MS = 24 * HOUR_MS;

const clock = new Intl.DateTimeFormat('en', { hour: '2-digit', minute: '2-digit', hourCycle: 'h23' });
const day = new Intl.DateTimeFormat('en', { weekday: 'short', day: 'numeric', month: 'short' });
const year = new Intl.DateTimeFormat('en', { year: 'numeric' });
const full = new Intl.DateTimeFormat('en', { dateStyle: 'full', timeStyle: 'long', hourCycle: 'h23' });

/** 'Tue 3 Mar 16:30' on this device's clock; with the year when it is not this one. */
export function timeText(at, now = new Date()) {
  const sameYear = at.getFullYear() === now.getFullYear();
  const date = day.formatToParts(at);
  const part = (type) => date.find((one) => one.type === type)?.value ?? '';
  const words = [
    part('weekday'),
    part('day'),
    part('month'),
    sameYear ? '' : year.format(at),
    clock.format(at),
  ];
  return words.filter((word) => word !== '').join(' ');
}

/** With seconds and zone, for a title. */
export function fullTimeText(at) {
  return full.format(at);
}

/** '45 s', '12 min', '3 h 20 min', '2 days'. */
export function spanText(ms) {
  if (ms < MINUTE_MS) return `${Math.max(0, Math.round(ms / 1000))} s`;
  if (ms < HOUR_MS) return `${Math.floor(ms / MINUTE_MS)} min`;
  if (ms < DAY_MS) {
    const minutes = Math.floor((ms % HOUR_MS) / MINUTE_MS);
    return `${Math.floor(ms / HOUR_MS)} h${minutes === 0 ? '' : ` ${minutes} min`}`;
  }
  const days = Math.floor(ms / DAY_MS);
  return days === 1 ? '1 day' : `${days} days`;
}

export function countText(count, one, many) {
  return `${count} ${count === 1 ? one : many}`;
}
