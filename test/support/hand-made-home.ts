// A home written out from the physics, for tests from outside: a split-phase service, loads, an inlet circuit and a
// battery, as detection needs them and no finer. It shares nothing with the product, so that a mistake in the
// product's own model of a house cannot hide behind the same mistake here.
//
// Signs (as a meter reports them): service power + = import, inlet power and ac.p + = charging. With the source E,
// service impedance Zs and neutral impedance Zn:
//   v1 = E - i1 Zs - (i1 - i2) Zn        v2 = E - i2 Zs + (i1 - i2) Zn

export type Leg = 0 | 1;
export type Row = { at: number } & Record<string, number | boolean>;

/** What the house is and does; every function is of seconds since 1970. */
export interface House {
  readonly seed: number;
  /** Legs of the inlets, and so of the batteries. */
  readonly inletLegs: readonly Leg[];
  readonly sourceV: (at: number) => number;
  readonly serviceOhm: number;
  readonly neutralOhm: (at: number) => number;
  /** Both conductors of the inlet circuit together. */
  readonly circuitOhm: (at: number) => number;
  readonly loadsW: (at: number) => readonly [number, number];
  readonly load240W: (at: number) => number;
  /** Solar on the roof, feeding both legs alike. */
  readonly solarW: (at: number) => number;
  readonly gridPresent: (at: number) => boolean;
  readonly capacityWh: number;
  readonly startSocPct: number;
  /** Asked of battery `n`; met while its state of charge allows it. + = charging. */
  readonly batteryW: (at: number, n: number, socPct: number) => number;
  /** What a battery's own sockets draw, beside its AC port. */
  readonly socketsW: (at: number) => number;
  /** Of full scale of an ordinary instrument: 1 is ordinary, 0 is a perfect one. */
  readonly noise: number;
}

export interface Instant {
  readonly at: number;
  readonly volts: readonly [number, number];
  readonly watts: readonly [number, number];
  readonly inletW: readonly number[];
  readonly batteryV: readonly number[];
  readonly socPct: readonly number[];
  readonly tempC: readonly number[];
  readonly grid: boolean;
}

/** One way energy is lost in, and again out of, a battery. */
const ONE_WAY_EFFICIENCY = 0.95;

/** Numbers 0 to 1 that look random and depend on the seed and n alone. */
export function chance(seed: number, n: number): number {
  let x = (Math.imul(seed ^ 0x9e3779b9, 0x85ebca6b) ^ Math.imul(n | 0, 0xc2b2ae35)) >>> 0;
  x = Math.imul(x ^ (x >>> 16), 0x7feb352d) >>> 0;
  x = Math.imul(x ^ (x >>> 15), 0x846ca68b) >>> 0;
  return ((x ^ (x >>> 16)) >>> 0) / 2 ** 32;
}

function normal(seed: number, n: number): number {
  return (
    Math.sqrt(-2 * Math.log(chance(seed, 2 * n) + 1e-12)) * Math.cos(2 * Math.PI * chance(seed, 2 * n + 1))
  );
}

/** Wanders between -1 and 1, smoothly, within `everyS`. */
export function wander(seed: number, at: number, everyS: number): number {
  const step = Math.floor(at / everyS);
  const part = at / everyS - step;
  const smooth = part * part * (3 - 2 * part);
  return (chance(seed, step) * (1 - smooth) + chance(seed, step + 1) * smooth) * 2 - 1;
}

/** An appliance that runs at most once in each stretch of `everyS`, for `runS`, with the given chance. */
function appliance(seed: number, at: number, everyS: number, runS: number, likely: number): boolean {
  const stretch = Math.floor(at / everyS);
  if (chance(seed, stretch * 3) > likely) return false;
  const begin = stretch * everyS + chance(seed, stretch * 3 + 1) * (everyS - runS);
  return at >= begin && at < begin + runS * (0.5 + 0.5 * chance(seed, stretch * 3 + 2));
}

export function aHouse(house: Partial<House> = {}): House {
  const seed = house.seed ?? 1;
  return {
    seed,
    inletLegs: [0],
    sourceV: (at) => 121 + 0.8 * wander(seed + 11, at, 3_600) + 0.3 * wander(seed + 12, at, 300),
    serviceOhm: 0.03,
    neutralOhm: () => 0.02,
    circuitOhm: () => 0.16,
    loadsW: (at) => [
      210 +
        40 * wander(seed + 1, at, 700) +
        (appliance(seed + 2, at, 2_700, 1_400, 1) ? 130 : 0) +
        (appliance(seed + 3, at, 7_200, 240, 0.7) ? 1_350 : 0) +
        (appliance(seed + 4, at, 14_400, 5_400, 0.8) ? 320 : 0),
      260 +
        50 * wander(seed + 5, at, 900) +
        (appliance(seed + 6, at, 5_400, 300, 0.8) ? 1_100 : 0) +
        (appliance(seed + 7, at, 10_800, 2_700, 0.8) ? 240 : 0) +
        (appliance(seed + 8, at, 1_800, 900, 1) ? 90 : 0),
    ],
    load240W: (at) => (appliance(seed + 9, at, 14_400, 1_500, 0.9) ? 3_800 : 0),
    solarW: () => 0,
    gridPresent: () => true,
    capacityWh: 3_000,
    startSocPct: 60,
    batteryW: dailyCycle,
    socketsW: () => 0,
    noise: 1,
    ...house,
  };
}

/** Charges from 01:00 and feeds the house from 17:00 UTC, as a time-of-use schedule would. */
export function dailyCycle(at: number, n: number, socPct: number): number {
  const hour = ((at / 3_600 + 24 - 0.05 * n) % 24) - 0;
  if (hour >= 1 && hour < 5) return socPct < 95 ? 1_200 : 0;
  if (hour >= 17 && hour < 21) return socPct > 35 ? -450 : 0;
  return 0;
}

/** The house from `from` up to `to`, every `stepS`. */
export function* live(house: House, from: number, to: number, stepS: number): Generator<Instant> {
  const soc = house.inletLegs.map(() => house.startSocPct);
  const temp = house.inletLegs.map(() => 24);
  let volts: [number, number] = [house.sourceV(from), house.sourceV(from)];
  for (let at = from; at < to; at += stepS) {
    const grid = house.gridPresent(at);
    const asked = house.inletLegs.map((_, n) =>
      grid || house.batteryW(at, n, soc[n] ?? 0) < 0 ? house.batteryW(at, n, soc[n] ?? 0) : 0,
    );
    const inletW = asked.map((watts, n) =>
      ((soc[n] ?? 0) >= 100 && watts > 0) || ((soc[n] ?? 0) <= 0 && watts < 0) ? 0 : watts,
    );
    for (const [n, watts] of inletW.entries()) {
      const stored = watts > 0 ? watts * ONE_WAY_EFFICIENCY : watts / ONE_WAY_EFFICIENCY;
      const wh = ((stored - house.socketsW(at) / ONE_WAY_EFFICIENCY) * stepS) / 3_600;
      soc[n] = Math.min(100, Math.max(0, (soc[n] ?? 0) + (100 * wh) / house.capacityWh));
      temp[n] = (temp[n] ?? 24) + ((24 + Math.abs(watts) / 200 - (temp[n] ?? 24)) * stepS) / 3_600;
    }
    const solved = grid
      ? solve(house, at, inletW, volts)
      : { volts: [0, 0] as const, watts: [0, 0] as const };
    if (grid) volts = [...solved.volts];
    const batteryV = inletW.map((watts, n) => {
      const legV = solved.volts[house.inletLegs[n] ?? 0];
      return legV < 50 ? 120 : legV - (watts / legV) * house.circuitOhm(at);
    });
    yield {
      at,
      volts: solved.volts,
      watts: solved.watts,
      inletW,
      batteryV,
      socPct: [...soc],
      tempC: [...temp],
      grid,
    };
  }
}

function solve(house: House, at: number, inletW: readonly number[], before: readonly [number, number]) {
  const source = house.sourceV(at);
  const zs = house.serviceOhm;
  const zn = house.neutralOhm(at);
  const loads = house.loadsW(at);
  // Loads are resistances, the battery and the sun are sources of a given power.
  const siemens = [loads[0] / 120 ** 2, loads[1] / 120 ** 2] as const;
  const across = house.load240W(at) / 240 ** 2;
  let [v1, v2] = before;
  for (let round = 0; round < 6; round++) {
    const given = [0, 1].map((leg) => {
      const inlets = inletW.reduce((sum, watts, n) => sum + (house.inletLegs[n] === leg ? watts : 0), 0);
      return (inlets - house.solarW(at) / 2) / (leg === 0 ? v1 : v2);
    });
    const [g1, g2] = [given[0] ?? 0, given[1] ?? 0];
    // i1 = a1 v1 + across v2 + g1, i2 = across v1 + a2 v2 + g2
    const [a1, a2] = [siemens[0] + across, siemens[1] + across];
    const [m11, m12] = [1 + a1 * (zs + zn) - across * zn, across * (zs + zn) - a2 * zn];
    const [m21, m22] = [across * (zs + zn) - a1 * zn, 1 + a2 * (zs + zn) - across * zn];
    const [r1, r2] = [source - g1 * (zs + zn) + g2 * zn, source - g2 * (zs + zn) + g1 * zn];
    const det = m11 * m22 - m12 * m21;
    v1 = (r1 * m22 - m12 * r2) / det;
    v2 = (m11 * r2 - m21 * r1) / det;
  }
  const inlets = [0, 1].map((leg) =>
    inletW.reduce((sum, watts, n) => sum + (house.inletLegs[n] === leg ? watts : 0), 0),
  );
  const of = (leg: 0 | 1) => {
    const [own, other] = leg === 0 ? [v1, v2] : [v2, v1];
    return own * (siemens[leg] * own + across * (own + other)) + (inlets[leg] ?? 0) - house.solarW(at) / 2;
  };
  return { volts: [v1, v2] as const, watts: [of(0), of(1)] as const };
}

/** What a meter reads of an instant. */
export function meterRow(house: House, now: Instant, seq: number): Row {
  const n = Math.round(now.at * 10);
  const noisy = (value: number, scale: number, offset: number, k: number) =>
    house.noise === 0
      ? value
      : value * (1 + 0.002 * house.noise * normal(house.seed + k, n)) +
        offset * scale * house.noise * normal(house.seed + k + 50, n);
  const row: Row = {
    at: now.at,
    seq,
    rssi: -58 - 3 * wander(house.seed + 70, now.at, 500),
    f: 60 + 0.01 * wander(house.seed + 71, now.at, 60),
  };
  for (const leg of [0, 1] as const) {
    const volts =
      now.volts[leg] < 1 ? 0 : now.volts[leg] + 0.08 * house.noise * normal(house.seed + 80 + leg, n);
    const watts = noisy(now.watts[leg], 1.5, now.grid ? 1 : 0, 60 + leg);
    row[`l${leg + 1}.v`] = volts;
    row[`l${leg + 1}.p`] = watts;
    row[`l${leg + 1}.i`] = volts < 1 ? 0 : Math.abs(watts / volts) / 0.97;
  }
  for (const [k, inletW] of now.inletW.entries()) {
    const legV = now.volts[house.inletLegs[k] ?? 0];
    const watts = noisy(inletW, 1, now.grid ? 1 : 0, 64 + k);
    row[`inlet${k + 1}.p`] = watts;
    row[`inlet${k + 1}.i`] = Math.abs(watts / (legV < 50 ? 120 : legV));
  }
  return row;
}

/** What battery `k` reads of an instant. */
export function batteryRow(house: House, now: Instant, k: number, seq: number): Row {
  const n = Math.round(now.at * 10);
  const watts = (now.inletW[k] ?? 0) * (1 + 0.002 * house.noise * normal(house.seed + 90 + k, n));
  const volts = (now.batteryV[k] ?? 0) + 0.1 * house.noise * normal(house.seed + 93 + k, n);
  return {
    at: now.at,
    seq,
    rssi: -61 - 3 * wander(house.seed + 95 + k, now.at, 500),
    soc: Math.round((now.socPct[k] ?? 0) * 10) / 10,
    'ac.p': watts,
    'ac.v': volts,
    'ac.i': watts / volts,
    temp: (now.tempC[k] ?? 0) + 0.1 * house.noise * normal(house.seed + 97 + k, n),
    grid: now.grid,
    reserve: 20,
    limit: 1_500,
  };
}
