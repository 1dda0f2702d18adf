// Repeatable randomness, split by name: a stream depends on nothing but its own seed and names, so adding a
// home, an appliance or a day changes none of the others. Generator: sfc32 (Chris Doty-Humphrey, PractRand);
// hash: FNV-1a with a final mix. Good enough to look random, not meant for secrets.

export interface RandomStream {
  /** In [0, 1). */
  uniform(): number;
  between(low: number, high: number): number;
  chance(probability: number): boolean;
  /** Mean 0, standard deviation 1. */
  normal(): number;
  exponential(mean: number): number;
  /** @param sigma standard deviation of the natural logarithm */
  logNormal(median: number, sigma: number): number;
  pick<T>(choices: readonly [T, ...T[]]): T;
}

/** The stream of these names under this seed. */
export function randomStream(seed: string, ...names: readonly (string | number)[]): RandomStream {
  const text = `${seed}/${names.join('/')}`;
  let a = hash(text, 1);
  let b = hash(text, 2);
  let c = hash(text, 3);
  let counter = 1;
  let spare = Number.NaN;

  function next(): number {
    const sum = (((a + b) | 0) + counter) | 0;
    counter = (counter + 1) | 0;
    a = b ^ (b >>> 9);
    b = (c + (c << 3)) | 0;
    c = ((c << 21) | (c >>> 11)) + sum;
    return sum >>> 0;
  }
  for (let i = 0; i < 12; i += 1) next(); // sfc32's own seeding does the same, to mix the words

  const uniform = (): number => next() / 2 ** 32;

  /** Marsaglia's polar method. */
  function normal(): number {
    if (!Number.isNaN(spare)) {
      const kept = spare;
      spare = Number.NaN;
      return kept;
    }
    for (;;) {
      const x = 2 * uniform() - 1;
      const y = 2 * uniform() - 1;
      const square = x * x + y * y;
      if (square === 0 || square >= 1) continue;
      const factor = Math.sqrt((-2 * Math.log(square)) / square);
      spare = y * factor;
      return x * factor;
    }
  }

  return {
    uniform,
    normal,
    between: (low, high) => low + (high - low) * uniform(),
    chance: (probability) => uniform() < probability,
    exponential: (mean) => -mean * Math.log(1 - uniform()),
    logNormal: (median, sigma) => median * Math.exp(sigma * normal()),
    pick: (choices) => choices[Math.floor(uniform() * choices.length)] ?? choices[0],
  };
}

function hash(text: string, salt: number): number {
  let h = 0x811c9dc5 ^ Math.imul(salt, 0x9e3779b1);
  for (let i = 0; i < text.length; i += 1) h = Math.imul(h ^ text.charCodeAt(i), 0x01000193);
  h = Math.imul(h ^ (h >>> 16), 0x85ebca6b);
  h = Math.imul(h ^ (h >>> 13), 0xc2b2ae35);
  return (h ^ (h >>> 16)) | 0;
}
