import { BATTERY_QUANTITIES, METER_QUANTITIES, PERIOD, type Reading } from './reading.ts';
import type { SenmlRecord } from './senml.ts';
import { encodeCbor } from './senml-cbor.ts';
import { encodeJson } from './senml-json.ts';

/**
 * Writes readings of one device as one message for its readings topic, as `decodeReadings` reads it: quantities
 * that are null are left out, and a reading that has none is not in it.
 */
export function encodeReadings(readings: readonly Reading[], format: 'json' | 'cbor'): Uint8Array {
  const pack = packReadings(readings);
  return format === 'json' ? encodeJson(pack) : encodeCbor(pack);
}

/** The SenML records of readings: the device as base name, the first reading's time as base time. */
function packReadings(readings: readonly Reading[]): SenmlRecord[] {
  const pack: SenmlRecord[] = [];
  const baseAt = readings[0]?.at ?? 0;
  for (const reading of readings) {
    const time = reading.at === baseAt ? {} : { t: (reading.at - baseAt) / 1000 };
    let period = reading.periodS === null ? {} : { ut: reading.periodS };
    for (const { n, u, value } of valuesOf(reading)) {
      const unit = u === null ? {} : { u };
      const base = pack.length === 0 ? { bn: `${reading.device}/`, bt: baseAt / 1000 } : {};
      pack.push({
        ...base,
        n,
        ...unit,
        ...time,
        ...(typeof value === 'boolean' ? { vb: value } : { v: value }),
        ...period,
      });
      period = {};
    }
  }
  return pack;
}

function valuesOf(reading: Reading): { n: string; u: string | null; value: number | boolean }[] {
  const values: { n: string; u: string | null; value: number | boolean }[] = [];
  const add = (n: string, u: string | null, value: number | boolean | null) => {
    if (value !== null && n !== PERIOD.quantity) values.push({ n, u, value });
  };
  if (reading.kind === 'meter') {
    for (const { quantity, unit, field } of METER_QUANTITIES) add(quantity, unit, reading[field]);
  } else {
    for (const { quantity, unit, field } of BATTERY_QUANTITIES) add(quantity, unit, reading[field]);
  }
  return values;
}
