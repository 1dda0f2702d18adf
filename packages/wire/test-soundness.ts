// What holds for every answer of the decoder, whatever it was given: a check for tests.

import type { DecodedReadings } from './decode-readings.ts';
import { BATTERY_QUANTITIES, METER_QUANTITIES, type Reading } from './reading.ts';

const DAY_MS = 86_400_000;
/** One sentence, safe to print: no control characters, no halves of surrogate pairs. */
const SENTENCE = /^[^\p{Cc}\p{Cs}]{1,600}\.$/u;

/** @returns what is wrong with an answer: a value that its quantity cannot have, a refusal that is no sentence */
export function findUnsound(decoded: DecodedReadings, nowMs: number): string | undefined {
  if (decoded.kind === 'refused') {
    return SENTENCE.test(decoded.detail) ? undefined : `not a sentence: ${decoded.detail}`;
  }
  for (const { detail, name } of decoded.refused) {
    if (!SENTENCE.test(detail)) return `not a sentence: ${detail}`;
    if (name.length > 81) return `a name of ${name.length} characters`;
  }
  for (const reading of decoded.readings) {
    const problem = findUnsoundReading(reading, nowMs);
    if (problem !== undefined) return problem;
  }
  return undefined;
}

function findUnsoundReading(reading: Reading, nowMs: number): string | undefined {
  const { at } = reading;
  if (!Number.isSafeInteger(at) || at < nowMs - 400 * DAY_MS || at > nowMs + DAY_MS) return `at is ${at}`;
  const fields = new Map(Object.entries(reading));
  for (const quantity of reading.kind === 'meter' ? METER_QUANTITIES : BATTERY_QUANTITIES) {
    const value = fields.get(quantity.field);
    if (value === null) continue;
    const isSound =
      quantity.type === 'boolean'
        ? typeof value === 'boolean'
        : typeof value === 'number' &&
          value >= quantity.min &&
          value <= quantity.max &&
          (quantity.type === 'number' || Number.isInteger(value));
    if (!isSound) return `${quantity.field} is ${value}`;
  }
  return undefined;
}
