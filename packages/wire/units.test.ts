// Units convert as RFC 8798 says.
import { describe, expect, it } from 'vitest';
import { conversionsTo, convert, SECONDARY_UNITS } from './units.ts';

function converted(value: number, unit: string, target: string): number | undefined {
  const conversion = conversionsTo(target).get(unit);
  return conversion === undefined ? undefined : convert(value, conversion);
}

describe('the worked examples of RFC 8798 section 3', () => {
  it('100 ms is 0.1 s', () => expect(converted(100, 'ms', 's')).toBe(0.1));
  it('10 dBm is -20 dBW', () => expect(converted(10, 'dBm', 'dBW')).toBe(-20));
});

describe('the secondary units of RFC 8798 table 2', () => {
  const table: [unit: string, primary: string, scale: number, offset: number][] = [
    ['ms', 's', 1 / 1000, 0],
    ['min', 's', 60, 0],
    ['h', 's', 3600, 0],
    ['MHz', 'Hz', 1000000, 0],
    ['kW', 'W', 1000, 0],
    ['kVA', 'VA', 1000, 0],
    ['kvar', 'var', 1000, 0],
    ['Ah', 'C', 3600, 0],
    ['Wh', 'J', 3600, 0],
    ['kWh', 'J', 3600000, 0],
    ['varh', 'vars', 3600, 0],
    ['kvarh', 'vars', 3600000, 0],
    ['kVAh', 'VAs', 3600000, 0],
    ['Wh/km', 'J/m', 3.6, 0],
    ['KiB', 'B', 1024, 0],
    ['GB', 'B', 1e9, 0],
    ['mV', 'V', 1 / 1000, 0],
    ['mA', 'A', 1 / 1000, 0],
    ['dBm', 'dBW', 1, -30],
    ['ug/m3', 'kg/m3', 1e-9, 0],
    ['mm/h', 'm/s', 1 / 3600000, 0],
    ['ppm', '/', 1e-6, 0],
    ['/100', '/', 1 / 100, 0],
    ['hPa', 'Pa', 100, 0],
    ['mm', 'm', 1 / 1000, 0],
  ];
  it.each(table)('%s is in %s, times %d, plus %d', (unit, primary, scale, offset) => {
    expect(SECONDARY_UNITS[unit]?.primary).toBe(primary);
    expect(converted(7, unit, primary)).toBeCloseTo(7 * scale + offset, 12);
  });
});

describe('towards the units of the quantities', () => {
  const cases: [value: number, unit: string, target: string, expected: number | undefined, why: string][] = [
    [1234.567, 'kWh', 'Wh', 1_234_567, 'both secondary, of the joule'],
    [3600, 'J', 'Wh', 1, 'the primary unit'],
    [0.1, 'Wh', 'Wh', 0.1, 'its own unit is not touched'],
    [1.8, 'kW', 'W', 1800, 'rounded once'],
    [119_870, 'mV', 'V', 119.87, 'rounded once'],
    [4310, 'mA', 'A', 4.31, 'rounded once'],
    [-101, 'dBW', 'dBm', -71, 'an offset'],
    [298.15, 'K', 'Cel', 25, 'SI Brochure 2.3.1: t/C = T/K - 273.15'],
    [60, 'V', 'A', undefined, 'another quantity'],
    [1, 'VA', 'W', undefined, 'apparent power is not active power'],
    [1, 'kv', 'V', undefined, 'no registered unit'],
    [0.8, '/', '%EL', undefined, 'no registry says that a ratio is a state of charge'],
    [80, '%', '%EL', undefined, 'in RFC 8428 the % is a ratio of 0 to 1'],
  ];
  it.each(cases)('%d %s in %s is %s (%s)', (value, unit, target, expected) => {
    const result = converted(value, unit, target);
    if (expected === undefined) expect(result).toBeUndefined();
    else expect(result).toBeCloseTo(expected, 12);
  });
});
