// Payloads that are nearly right, for tests: a good pack in JSON or CBOR with a few bytes changed, cut out, doubled
// or swapped for what means something to a parser. Seeded, so that a failure can be had again.

import { encodeReadings } from './encode-readings.ts';
import { emptyBatteryReading, emptyMeterReading, type Reading } from './reading.ts';

/** Text and bytes at which parsers go wrong. */
const INTERESTING = [
  '"',
  '\\',
  '\\u0000',
  '{',
  '}',
  '[',
  ']',
  ',',
  ':',
  '-',
  '1e999',
  'NaN',
  'null',
  'true',
  '"n":',
  '"v":',
  '"vb":',
  '"t":-1',
  '"bt":1e300',
  '"bn":"\u00e9/"',
  '"u":"kW"',
  '"bver":27',
  '"x_":1',
  '{"n":"f","v":1}',
  '0.1',
  '00',
  '1.',
  '\u00ff',
  '\u0000',
  '\u009f',
  '\u00bf',
  '\u00fb',
  '\u00f9\u007c\u0000',
  '\u001b',
  '\u003b',
  '\u00a0',
  '\u0080',
].map((text) => Uint8Array.from(text, (character) => character.charCodeAt(0)));

/** Numbers below `bound`, the same for the same seed (mulberry32). */
export function seededRandom(seed: number): (bound: number) => number {
  let state = seed >>> 0;
  return (bound) => {
    state = (state + 0x6d2b79f5) >>> 0;
    let mixed = Math.imul(state ^ (state >>> 15), state | 1);
    mixed ^= mixed + Math.imul(mixed ^ (mixed >>> 7), mixed | 61);
    return ((mixed ^ (mixed >>> 14)) >>> 0) % bound;
  };
}

/** Good readings of one device, of one kind or of both. */
export function someReadings(random: (bound: number) => number, nowMs: number): Reading[] {
  const kind = random(8);
  return Array.from({ length: 1 + random(4) }, (_, index) => {
    const at = nowMs - random(3) * 86_400_000 + index * 5_000 + random(2) * random(1000);
    return kind === 0 || (kind === 1 && index % 2 === 0)
      ? {
          ...emptyBatteryReading('d', at),
          socPct: random(101),
          acW: random(3000) - 1500,
          gridPresent: random(2) === 0,
          seq: index,
        }
      : {
          ...emptyMeterReading('d', at),
          l1V: 120 + random(30) / 10,
          l1W: random(9000) - 500,
          importWh: random(1e9) / 1000,
          seq: random(1e6),
          periodS: 5,
        };
  });
}

/** @returns a payload, and whether it was changed at all */
export function mutatedPayload(random: (bound: number) => number, nowMs: number): Uint8Array {
  let bytes = encodeReadings(someReadings(random, nowMs), random(2) === 0 ? 'json' : 'cbor');
  for (let left = random(4); left > 0; left -= 1) bytes = mutated(bytes, random);
  return bytes;
}

export function mutated(bytes: Uint8Array, random: (bound: number) => number): Uint8Array {
  const at = random(bytes.length + 1);
  const end = Math.min(bytes.length, at + random(12));
  const inserted = INTERESTING[random(INTERESTING.length)] ?? new Uint8Array();
  switch (random(5)) {
    case 0: {
      const changed = bytes.slice();
      if (at < changed.length) changed[at] = random(256);
      return changed;
    }
    case 1:
      return join(bytes.subarray(0, at), bytes.subarray(end));
    case 2:
      return join(bytes.subarray(0, end), bytes.subarray(at));
    case 3:
      return join(bytes.subarray(0, at), inserted, bytes.subarray(end));
    default:
      return bytes.slice(0, at);
  }
}

function join(...parts: readonly Uint8Array[]): Uint8Array {
  const joined = new Uint8Array(parts.reduce((length, part) => length + part.length, 0));
  let at = 0;
  for (const part of parts) {
    joined.set(part, at);
    at += part.length;
  }
  return joined;
}
