import type { CapCircle, CapPoint, CapPolygon, CapReference } from './cap-types.ts';

/** A value read from text, or what is wrong with the text: "must ...". */
type Read<T> = { value: T } | { problem: string };
export type ReadText<T> = (text: string) => Read<T>;

const NUMBER = String.raw`[+-]?(?:\d+(?:\.\d*)?|\.\d+)`;
const PAIR = new RegExp(`^(${NUMBER}),(${NUMBER})$`);
const DECIMAL = new RegExp(`^${NUMBER}$`);
const DATE_TIME = /^(\d{4})-(\d\d)-(\d\d)T(\d\d):(\d\d):(\d\d)([+-])(\d\d):(\d\d)$/;

export const anyText: ReadText<string> = (text) => ({ value: text });

export const filledText: ReadText<string> = (text) =>
  text.trim() === '' ? { problem: 'must not be empty' } : { value: text.trim() };

/** A text that may be left empty, which says as much as leaving it out. */
export const optionalText: ReadText<string | null> = (text) => ({ value: text.trim() || null });

/** One of a code list, to the letter: the schema knows neither other cases nor spaces around it. */
export function codeOf<T extends string>(codes: readonly T[]): ReadText<T> {
  return (text) => {
    const found = codes.find((code) => code === text);
    return found === undefined ? { problem: `must be one of ${codes.join(', ')}` } : { value: found };
  };
}

/** <identifier> and <sender>: CAP 1.2 section 3.2.1 forbids what would break a reference apart. */
export const capName: ReadText<string> = (text) => {
  const name = text.trim();
  if (name === '') return { problem: 'must not be empty' };
  if (/[\s,<&]/.test(name)) return { problem: 'must not include spaces, commas, < or &' };
  return { value: name };
};

/** A date and time as CAP 1.2 writes it, in milliseconds since the Unix epoch. */
export const capTime: ReadText<number> = (text) => {
  const fields = DATE_TIME.exec(text.trim());
  if (fields === null) return { problem: timeProblem(text.trim()) };
  const [year, month, day, hour, minute, second] = fields.slice(1, 7).map(Number);
  const [offsetHours, offsetMinutes] = fields.slice(8, 10).map(Number);
  if (
    year === undefined ||
    month === undefined ||
    day === undefined ||
    hour === undefined ||
    minute === undefined ||
    second === undefined ||
    offsetHours === undefined ||
    offsetMinutes === undefined
  ) {
    throw new Error('the pattern of a date and time has nine groups');
  }
  const clock = new Date(0);
  clock.setUTCFullYear(year, month - 1, day);
  clock.setUTCHours(hour, minute, second);
  const written = text.trim().slice(0, 19);
  if (year === 0 || clock.toISOString().slice(0, 19) !== written) {
    return { problem: `must be a date and time that exists: ${written} does not` };
  }
  if (offsetMinutes > 59 || offsetHours * 60 + offsetMinutes > 14 * 60) {
    return { problem: 'must have an offset of at most 14:00' };
  }
  const offsetMs = (offsetHours * 60 + offsetMinutes) * 60_000;
  return { value: clock.getTime() - (fields[7] === '-' ? -offsetMs : offsetMs) };
};

function timeProblem(text: string): string {
  const form = 'must be a date and time such as 2026-01-15T06:00:00-07:00';
  if (/z$/i.test(text)) return `${form}: CAP 1.2 does not allow Z, UTC is written -00:00`;
  if (/\d\.\d+/.test(text)) return `${form}: without fractions of a second`;
  if (/T\d\d:\d\d:\d\d$/.test(text)) return `${form}: the offset from UTC is missing`;
  return form;
}

/** xs:language. */
export const language: ReadText<string> = (text) =>
  /^[a-zA-Z]{1,8}(-[a-zA-Z0-9]{1,8})*$/.test(text.trim())
    ? { value: text.trim() }
    : { problem: 'must be a language code such as en-US' };

/** xs:anyURI, absolute or relative, as RFC 3986 writes it (beyond ASCII too, as RFC 3987 does). */
export const uri: ReadText<string> = (text) => {
  const address = text.trim();
  const beginsWell = /^(?:[A-Za-z][A-Za-z0-9+.-]*:|[^:/?#]*(?:[/?#]|$))/.test(address);
  const holdsOthers = /[\s<>"{}|\\^`]|%(?![0-9a-fA-F]{2})|#.*#/.test(address);
  return beginsWell && !holdsOthers && URL.canParse(address, 'http://relative.invalid/')
    ? { value: address }
    : { problem: 'must be a URI' };
};

export const wholeNumber: ReadText<number> = (text) =>
  /^[+-]?\d+$/.test(text.trim()) ? { value: Number(text) } : { problem: 'must be a whole number' };

export const decimal: ReadText<number> = (text) =>
  DECIMAL.test(text.trim()) ? { value: Number(text) } : { problem: 'must be a number' };

/** "lat,lon lat,lon ...": CAP 1.2 section 3.2.4 wants at least four pairs, the last equal to the first. */
export const polygon: ReadText<CapPolygon> = (text) => {
  const points: CapPoint[] = [];
  for (const pair of words(text)) {
    const read = point(pair);
    if ('problem' in read) return read;
    points.push(read.value);
  }
  const first = points[0];
  const last = points.at(-1);
  if (points.length < 4)
    return { problem: `must have at least 4 pairs of coordinates, not ${points.length}` };
  if (first?.lat !== last?.lat || first?.lon !== last?.lon) {
    return { problem: 'must be closed: its last pair of coordinates must be its first' };
  }
  return { value: points };
};

/** "lat,lon radius", the radius in kilometres. */
export const circle: ReadText<CapCircle> = (text) => {
  const [pair, radius, ...rest] = words(text);
  if (pair === undefined || radius === undefined || rest.length > 0) {
    return { problem: 'must be a center and a radius in kilometres, such as 32.9525,-115.5527 10' };
  }
  const center = point(pair);
  if ('problem' in center) return center;
  if (!DECIMAL.test(radius) || Number(radius) < 0) {
    return { problem: `must have a radius of 0 km or more, not ${radius.slice(0, 40)}` };
  }
  return { value: { center: center.value, radiusKm: Number(radius) } };
};

/** "sender,identifier,sent" of one or more messages, separated by white space. */
export const references: ReadText<readonly CapReference[]> = (text) => {
  const read: CapReference[] = [];
  for (const word of words(text)) {
    const [sender, identifier, sent, ...rest] = word.split(',');
    if (!sender || !identifier || sent === undefined || rest.length > 0) {
      return { problem: `must be messages as sender,identifier,sent: ${word.slice(0, 80)} is not` };
    }
    const time = capTime(sent);
    if ('problem' in time) return { problem: `${time.problem} (in ${word.slice(0, 80)})` };
    read.push({ sender, identifier, sentMs: time.value });
  }
  return { value: read };
};

function point(pair: string): Read<CapPoint> {
  const match = PAIR.exec(pair);
  const lat = Number(match?.[1]);
  const lon = Number(match?.[2]);
  if (match === null) return { problem: `must be pairs of latitude,longitude: ${pair.slice(0, 40)} is not` };
  if (Math.abs(lat) > 90) return { problem: `must have latitudes from -90 to 90, not ${lat}` };
  if (Math.abs(lon) > 180) return { problem: `must have longitudes from -180 to 180, not ${lon}` };
  return { value: { lat, lon } };
}

function words(text: string): string[] {
  return text.split(/\s+/).filter((word) => word !== '');
}
