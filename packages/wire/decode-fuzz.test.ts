// A great many payloads that are nearly right, or not right at all. FUZZ_PAYLOADS sets how many, FUZZ_SEED which.

import { setImmediate as turn } from 'node:timers/promises';
import { isDeepStrictEqual } from 'node:util';
import { describe, expect, it } from 'vitest';
import { decodeAny, readPlain } from './decode-readings.ts';
import { ReadingBlock } from './reading-block.ts';
import { mutated, mutatedPayload, seededRandom } from './test-mutations.ts';
import { findUnsound } from './test-soundness.ts';
import { wildPayload } from './test-wild-packs.ts';

const PAYLOADS = Number(process.env['FUZZ_PAYLOADS'] ?? 200_000);
const SEED = Number(process.env['FUZZ_SEED'] ?? 2026);
const NOW_MS = Date.UTC(2026, 0, 15, 12, 0, 0, 250);
/** Far longer than a million take; it ends a decoder that hangs. */
const TIMEOUT_MS = 3_600_000;

type Random = (bound: number) => number;

/** Half of them good packs with changed bytes, half of them wild ones, of which some are changed as well. */
function payloadOf(random: Random): Uint8Array {
  if (random(2) === 0) return mutatedPayload(random, NOW_MS);
  const wild = wildPayload(random, NOW_MS);
  return random(4) === 0 ? mutated(wild, random) : wild;
}

/** Mostly none, so that the first byte decides. */
function contentTypeOf(random: Random): string | undefined {
  const types = ['application/senml+json', 'application/senml+cbor', 'text/plain'];
  return random(10) === 0 ? types[random(types.length)] : undefined;
}

describe(`the decoder, given ${PAYLOADS} payloads of seed ${SEED}`, () => {
  it(
    'accepts no value out of range, refuses in sentences, and reads a plain pack as the general way does',
    async () => {
      const random = seededRandom(SEED);
      // As in ingest, one block for one payload after another.
      const block = new ReadingBlock();
      const seen = { plain: 0, accepted: 0, readings: 0, refusedRecords: 0, refused: 0 };
      for (let round = 0; round < PAYLOADS; round += 1) {
        // The test runner wants to be heard of now and then.
        if (round % 1_000 === 0) await turn();
        const payload = payloadOf(random);
        const contentType = contentTypeOf(random);
        const shown = () => `round ${round}, seed ${SEED}: ${Buffer.from(payload).toString('latin1')}`;
        const general = decodeAny(payload, contentType, NOW_MS, 'd');
        const problem = findUnsound(general, NOW_MS);
        if (problem !== undefined) expect.fail(`${problem}; ${shown()}`);
        if (readPlain(payload, contentType, NOW_MS, block)) {
          seen.plain += 1;
          const plain = { kind: 'accepted', readings: block.toReadings('d'), refused: [] };
          if (!isDeepStrictEqual(plain, general)) expect(plain, shown()).toEqual(general);
        }
        if (general.kind === 'refused') seen.refused += 1;
        else {
          seen.accepted += 1;
          seen.readings += general.readings.length;
          seen.refusedRecords += general.refused.length;
        }
      }
      // Payloads that are all refused at their first byte would prove nothing.
      expect(seen.plain).toBeGreaterThan(PAYLOADS / 20);
      expect(seen.accepted).toBeGreaterThan(PAYLOADS / 4);
      expect(seen.readings).toBeGreaterThan(PAYLOADS / 4);
      expect(seen.refusedRecords).toBeGreaterThan(PAYLOADS / 10);
      expect(seen.refused).toBeGreaterThan(PAYLOADS / 10);
    },
    TIMEOUT_MS,
  );
});
