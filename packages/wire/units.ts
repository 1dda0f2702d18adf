/**
 * Units of SenML values: RFC 8428 section 12.1 (primary) and RFC 8798 section 3 (secondary), and what converts
 * to what.
 */

/** value in `primary` = value * multiply / divide + offset */
type SecondaryUnit = { primary: string; multiply: number; divide: number; offset: number };

function scaled(primary: string, multiply: number, divide = 1, offset = 0): SecondaryUnit {
  return { primary, multiply, divide, offset };
}

/** RFC 8798 table 2, in its order; fractions are kept as fractions. */
export const SECONDARY_UNITS: Readonly<Record<string, SecondaryUnit>> = {
  ms: scaled('s', 1, 1000),
  min: scaled('s', 60),
  h: scaled('s', 3600),
  MHz: scaled('Hz', 1_000_000),
  kW: scaled('W', 1000),
  kVA: scaled('VA', 1000),
  kvar: scaled('var', 1000),
  Ah: scaled('C', 3600),
  Wh: scaled('J', 3600),
  kWh: scaled('J', 3_600_000),
  varh: scaled('vars', 3600),
  kvarh: scaled('vars', 3_600_000),
  kVAh: scaled('VAs', 3_600_000),
  'Wh/km': scaled('J/m', 36, 10),
  KiB: scaled('B', 1024),
  GB: scaled('B', 1e9),
  'Mbit/s': scaled('bit/s', 1_000_000),
  'B/s': scaled('bit/s', 8),
  'MB/s': scaled('bit/s', 8_000_000),
  mV: scaled('V', 1, 1000),
  mA: scaled('A', 1, 1000),
  dBm: scaled('dBW', 1, 1, -30),
  'ug/m3': scaled('kg/m3', 1, 1e9),
  'mm/h': scaled('m/s', 1, 3_600_000),
  'm/h': scaled('m/s', 1, 3600),
  ppm: scaled('/', 1, 1_000_000),
  '/100': scaled('/', 1, 100),
  '/1000': scaled('/', 1, 1000),
  hPa: scaled('Pa', 100),
  mm: scaled('m', 1, 1000),
  cm: scaled('m', 1, 100),
  km: scaled('m', 1000),
  'km/h': scaled('m/s', 10, 36),
  // Both are primary units of RFC 8428; the relation is that of the SI Brochure, section 2.3.1.
  K: scaled('Cel', 1, 1, -273.15),
};

/** A linear conversion to a target unit: value * multiply / divide + offset. */
export type Conversion = { multiply: number; divide: number; offset: number };

/**
 * How to convert to `target` from every unit that measures the same thing.
 * @returns unit -> conversion, the target itself first
 */
export function conversionsTo(target: string): ReadonlyMap<string, Conversion> {
  const to = SECONDARY_UNITS[target] ?? scaled(target, 1);
  const conversions = new Map<string, Conversion>([[target, { multiply: 1, divide: 1, offset: 0 }]]);
  for (const [unit, from] of [
    [to.primary, scaled(to.primary, 1)] as const,
    ...Object.entries(SECONDARY_UNITS),
  ]) {
    if (from.primary !== to.primary || conversions.has(unit)) continue;
    // target = (value * from.multiply / from.divide + from.offset - to.offset) * to.divide / to.multiply
    const multiply = from.multiply * to.divide;
    const divide = from.divide * to.multiply;
    const common = greatestCommonDivisor(multiply, divide);
    const offset = ((from.offset - to.offset) * to.divide) / to.multiply;
    conversions.set(unit, { multiply: multiply / common, divide: divide / common, offset });
  }
  return conversions;
}

/** Applies a conversion; with a whole multiplier or divisor the result is rounded only once. */
export function convert(value: number, { multiply, divide, offset }: Conversion): number {
  return (value * multiply) / divide + offset;
}

function greatestCommonDivisor(a: number, b: number): number {
  return b === 0 ? a : greatestCommonDivisor(b, a % b);
}
