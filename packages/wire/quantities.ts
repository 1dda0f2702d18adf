import {
  BATTERY_QUANTITIES,
  type BatteryQuantity,
  METER_QUANTITIES,
  type MeterQuantity,
  type NumberQuantity,
  PERIOD,
} from './reading.ts';
import { printableValue, type RefusalReason } from './refusal.ts';
import type { ResolvedRecord } from './senml.ts';
import { type Conversion, conversionsTo, convert } from './units.ts';

/** What a name on the wire stands for: a quantity of a meter, of a battery, or of both. */
export type WireQuantity = {
  meter: MeterQuantity | undefined;
  battery: BatteryQuantity | undefined;
  /** Unit -> conversion to the quantity's own; null = any unit goes, none is looked at. */
  conversions: ReadonlyMap<string, Conversion> | null;
};

/** Why a value was not accepted; `rule` goes on a sentence that begins with the name. */
export type ValueProblem = { reason: RefusalReason; rule: string };

const QUANTITIES: ReadonlyMap<string, WireQuantity> = byName();

/**
 * The quantity that a resolved name stands for: what follows its last `/` or `:`.
 * @returns undefined for a name that stands for none
 */
export function findQuantity(name: string): WireQuantity | undefined {
  const start = Math.max(name.lastIndexOf('/'), name.lastIndexOf(':')) + 1;
  return QUANTITIES.get(start === 0 ? name : name.slice(start));
}

/** The value of a record in the quantity's own unit, or why it has none. */
export function readValue(wire: WireQuantity, record: ResolvedRecord): number | boolean | ValueProblem {
  const quantity = wire.meter ?? wire.battery;
  if (quantity === undefined) throw new Error('a wire quantity belongs to a meter or to a battery');
  if (quantity.type === 'boolean') {
    return (
      record.vb ?? { reason: 'value-type', rule: `must have a boolean value (vb), not ${givenValue(record)}` }
    );
  }
  if (record.v === undefined) {
    return { reason: 'value-type', rule: `must have a number as value (v), not ${givenValue(record)}` };
  }
  const value = inUnitOf(wire, record.v, record.u);
  if (value === undefined) {
    const units = [...(wire.conversions ?? new Map<string, Conversion>()).keys()].join(', ');
    return { reason: 'unit', rule: `must have one of the units ${units}, not ${printableValue(record.u)}` };
  }
  return findRangeProblem(quantity, value) ?? value;
}

/** Whether a value in the quantity's own unit can be a measurement of it. */
export function findRangeProblem(quantity: NumberQuantity<unknown>, value: number): ValueProblem | undefined {
  const { min, max, why } = quantity;
  const unit = quantity.unit === null ? '' : ` ${quantity.unit}`;
  if (!(value >= min && value <= max)) {
    return { reason: 'out-of-range', rule: `must be ${min} to ${max}${unit}, not ${value}${unit} (${why})` };
  }
  if (quantity.type === 'integer' && !Number.isInteger(value)) {
    return { reason: 'out-of-range', rule: `must be a whole number, not ${value} (${why})` };
  }
  return undefined;
}

function inUnitOf(
  { conversions }: WireQuantity,
  value: number,
  unit: string | undefined,
): number | undefined {
  // RFC 8428 section 4.5.2: without a unit the application's own holds.
  if (conversions === null || unit === undefined) return value;
  const conversion = conversions.get(unit);
  return conversion === undefined ? undefined : convert(value, conversion);
}

function givenValue({ v, vs, vb, vd, s }: ResolvedRecord): string {
  if (v !== undefined) return `the number ${v}`;
  if (vs !== undefined) return `the string ${printableValue(vs)}`;
  if (vb !== undefined) return `the boolean ${vb}`;
  if (vd !== undefined) return 'data (vd)';
  return `only the sum ${s} (s)`;
}

function byName(): Map<string, WireQuantity> {
  const quantities = new Map<string, WireQuantity>();
  for (const meter of METER_QUANTITIES) {
    quantities.set(meter.quantity, { meter, battery: undefined, conversions: conversionsOf(meter) });
  }
  for (const battery of BATTERY_QUANTITIES) {
    const meter = quantities.get(battery.quantity)?.meter;
    quantities.set(battery.quantity, { meter, battery, conversions: conversionsOf(battery) });
  }
  quantities.delete(PERIOD.quantity);
  return quantities;
}

function conversionsOf({ unit }: MeterQuantity | BatteryQuantity): ReadonlyMap<string, Conversion> | null {
  return unit === null ? null : conversionsTo(unit);
}
