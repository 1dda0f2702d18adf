// Repeatable randomness, split by name: a stream depends on nothing but its own seed and names, so adding a
// home, an appliance or a day changes none of the others. Generator: sfc32 (Chris Doty-Humphrey, PractRand);
// hash: FNV-1a with a final mix. Good enough to look random, not meant for secrets.

// Gaussian: the ziggurat of Marsaglia and Tsang (Journal of Statistical Software 5(8), 2000) with 128 layers,
// layer and value from different bits of a word, as Doornik (2005) corrected it.

/** Where the tail begins, and the area of each layer, for 128 layers (Marsaglia and Tsang). */
const TAIL = 3.442619855899;
const AREA = 9.91256303526217e-3;
const LAYERS = 128;
const edges = new Float64Array(LAYERS + 1);
edges[0] = AREA / density(TAIL);
edges[1] = TAIL;
for (let i = 2; i < LAYERS; i += 1) {
  const wider = edges[i - 1] ?? 0;
  edges[i] = Math.sqrt(-2 * Math.log(AREA / wider + density(wider)));
}
const heights = edges.map(density);

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

  function next(): number {
    const sum = (((a + b) | 0) + counter) | 0;
    counter = (counter + 1) | 0;
    a = b ^ (b >>> 9);
    b = (c + (c << 3)) | 0;
    c = (((c << 21) | (c >>> 11)) + sum) | 0;
    return sum >>> 0;
  }
  for (let i = 0; i < 12; i += 1) next(); // sfc32's own seeding does the same, to mix the words

  const uniform = (): number => next() / 2 ** 32;

  function normal(): number {
    for (;;) {
      const word = next();
      const layer = word & (LAYERS - 1);
      const x = ((word >>> 7) / 2 ** 24 - 1) * (edges[layer] ?? 0);
      const inner = edges[layer + 1] ?? 0;
      if (Math.abs(x) < inner) return x;
      if (layer === 0) return x < 0 ? -tail() : tail();
      const top = heights[layer + 1] ?? 1;
      const within = top + uniform() * ((heights[layer] ?? 0) - top);
      if (within < density(x)) return x;
    }
  }

  /** Beyond where the layers end (Marsaglia 1964). */
  function tail(): number {
    for (;;) {
      const beyond = -Math.log(1 - uniform()) / TAIL;
      if (-2 * Math.log(1 - uniform()) > beyond * beyond) return TAIL + beyond;
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

/** The bell curve, 1 at its top. */
function density(x: number): number {
  return Math.exp(-0.5 * x * x);
}

function hash(text: string, salt: number): number {
  let h = 0x811c9dc5 ^ Math.imul(salt, 0x9e3779b1);
  for (let i = 0; i < text.length; i += 1) h = Math.imul(h ^ text.charCodeAt(i), 0x01000193);
  h = Math.imul(h ^ (h >>> 16), 0x85ebca6b);
  h = Math.imul(h ^ (h >>> 13), 0xc2b2ae35);
  return (h ^ (h >>> 16)) | 0;
}
