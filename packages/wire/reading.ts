/** What a meter measured at one instant. A quantity the device did not send is null. */
export type MeterReading = {
  kind: 'meter';
  device: string;
  /** Device time, milliseconds since the Unix epoch. */
  at: number;
  l1V: number | null;
  l2V: number | null;
  /** RMS, never negative. */
  l1A: number | null;
  l2A: number | null;
  /** Positive = from the grid into the house. */
  l1W: number | null;
  l2W: number | null;
  l1Var: number | null;
  l2Var: number | null;
  frequencyHz: number | null;
  inlet1A: number | null;
  /** Positive = from the panel into the inlet, that is charging. */
  inlet1W: number | null;
  inlet2A: number | null;
  inlet2W: number | null;
  /** Energy registers. */
  importWh: number | null;
  exportWh: number | null;
  rssiDbm: number | null;
  /** The device's own count of its readings. */
  seq: number | null;
  /** The longest time to the next reading that the device promises (SenML `ut`), seconds. */
  periodS: number | null;
};

/** What a battery reported at one instant. A quantity the device did not send is null. */
export type BatteryReading = {
  kind: 'battery';
  device: string;
  /** Device time, milliseconds since the Unix epoch. */
  at: number;
  /** State of charge, 0 to 100. */
  socPct: number | null;
  acV: number | null;
  acA: number | null;
  /** Positive = charging. */
  acW: number | null;
  pvW: number | null;
  tempC: number | null;
  gridPresent: boolean | null;
  /** The unit's own reserve setting, 0 to 100. */
  reservePct: number | null;
  /** The unit's own charging limit. */
  limitW: number | null;
  /** The unit says that it is preparing for a storm. */
  stormPreparing: boolean | null;
  rssiDbm: number | null;
  seq: number | null;
  periodS: number | null;
};

export type Reading = MeterReading | BatteryReading;

type FieldOf<R extends Reading, T> = {
  [F in Exclude<keyof R, 'kind' | 'device' | 'at'>]: R[F] extends T | null ? F : never;
}[Exclude<keyof R, 'kind' | 'device' | 'at'>];

/** A quantity given as SenML `v`. `min` and `max` are inclusive, in `unit`. */
export type NumberQuantity<F> = {
  type: 'number' | 'integer';
  /** The name on the wire, after the last `/` or `:` of the resolved SenML name. */
  quantity: string;
  field: F;
  /** The column of the stored reading. */
  column: string;
  /** The unit of the field, as RFC 8428 or RFC 8798 writes it; null = a plain count, any unit given is ignored. */
  unit: string | null;
  min: number;
  max: number;
  /** Why a value outside the bounds cannot be a measurement. */
  why: string;
};

/** A quantity given as SenML `vb`. */
export type BooleanQuantity<F> = {
  type: 'boolean';
  quantity: string;
  field: F;
  column: string;
  unit: null;
  why: string;
};

export type MeterQuantity = NumberQuantity<FieldOf<MeterReading, number>>;
export type BatteryQuantity =
  | NumberQuantity<FieldOf<BatteryReading, number>>
  | BooleanQuantity<FieldOf<BatteryReading, boolean>>;

// Bounds are wide on purpose: they tell a measurement from a defect of the device, not a good value from a
// bad one. What is unusual but possible is the detectors' business.
const LEG_VOLTS = {
  type: 'number',
  unit: 'V',
  min: 0,
  max: 400,
  why: 'an open neutral puts at most the whole 240 V on one leg of a 120/240 V service',
} as const;
const LEG_AMPS = {
  type: 'number',
  unit: 'A',
  min: 0,
  max: 1000,
  why: 'an RMS current is not negative, and a residential service of at most 400 A cannot hold 1000 A',
} as const;
const LEG_POWER = {
  type: 'number',
  min: -250_000,
  max: 250_000,
  why: '1000 A at 250 V, either direction',
} as const;
const INLET_AMPS = {
  type: 'number',
  unit: 'A',
  min: -200,
  max: 200,
  why: 'an inlet circuit of at most 30 A; some devices give the current the sign of the power',
} as const;
const INLET_POWER = {
  type: 'number',
  unit: 'W',
  min: -50_000,
  max: 50_000,
  why: '200 A at 250 V, either direction',
} as const;
const ENERGY_REGISTER = {
  type: 'number',
  unit: 'Wh',
  min: 0,
  max: 1e10,
  why: 'a register counts up from 0; 200 A at 240 V for 20 years is 8.4 GWh',
} as const;
const PERCENT = {
  type: 'number',
  unit: '%EL',
  min: 0,
  max: 100,
  why: 'a part of the usable energy',
} as const;
const RSSI = {
  type: 'number',
  quantity: 'rssi',
  field: 'rssiDbm',
  column: 'rssi_dbm',
  unit: 'dBm',
  min: -150,
  max: 30,
  why: 'below thermal noise no radio receives; 30 dBm is the most a transmitter of this kind sends',
} as const;
const SEQ = {
  type: 'integer',
  quantity: 'seq',
  field: 'seq',
  column: 'seq',
  unit: null,
  min: 0,
  max: Number.MAX_SAFE_INTEGER,
  why: 'a whole number that a double holds exactly',
} as const;
/** Not a record of its own: the SenML label `ut` of any record of the reading. */
export const PERIOD = {
  type: 'number',
  quantity: 'ut',
  field: 'periodS',
  column: 'period_s',
  unit: 's',
  min: 0.001,
  max: 7 * 86_400,
  why: 'no device measures more often than once a millisecond; one silent for over a week cannot be watched',
} as const;

/** The quantities of a meter reading, in column order. */
export const METER_QUANTITIES: readonly MeterQuantity[] = [
  { quantity: 'l1.v', field: 'l1V', column: 'l1_v', ...LEG_VOLTS },
  { quantity: 'l2.v', field: 'l2V', column: 'l2_v', ...LEG_VOLTS },
  { quantity: 'l1.i', field: 'l1A', column: 'l1_a', ...LEG_AMPS },
  { quantity: 'l2.i', field: 'l2A', column: 'l2_a', ...LEG_AMPS },
  { quantity: 'l1.p', field: 'l1W', column: 'l1_w', unit: 'W', ...LEG_POWER },
  { quantity: 'l2.p', field: 'l2W', column: 'l2_w', unit: 'W', ...LEG_POWER },
  { quantity: 'l1.q', field: 'l1Var', column: 'l1_var', unit: 'var', ...LEG_POWER },
  { quantity: 'l2.q', field: 'l2Var', column: 'l2_var', unit: 'var', ...LEG_POWER },
  {
    type: 'number',
    quantity: 'f',
    field: 'frequencyHz',
    column: 'frequency_hz',
    unit: 'Hz',
    min: 0,
    max: 100,
    why: '0 where there is no voltage; no generator for 60 Hz loads runs at 100 Hz',
  },
  { quantity: 'inlet1.i', field: 'inlet1A', column: 'inlet1_a', ...INLET_AMPS },
  { quantity: 'inlet1.p', field: 'inlet1W', column: 'inlet1_w', ...INLET_POWER },
  { quantity: 'inlet2.i', field: 'inlet2A', column: 'inlet2_a', ...INLET_AMPS },
  { quantity: 'inlet2.p', field: 'inlet2W', column: 'inlet2_w', ...INLET_POWER },
  { quantity: 'import', field: 'importWh', column: 'import_wh', ...ENERGY_REGISTER },
  { quantity: 'export', field: 'exportWh', column: 'export_wh', ...ENERGY_REGISTER },
  RSSI,
  SEQ,
  PERIOD,
];

/** The quantities of a battery reading, in column order. */
export const BATTERY_QUANTITIES: readonly BatteryQuantity[] = [
  { quantity: 'soc', field: 'socPct', column: 'soc_pct', ...PERCENT },
  { quantity: 'ac.v', field: 'acV', column: 'ac_v', ...LEG_VOLTS },
  { quantity: 'ac.i', field: 'acA', column: 'ac_a', ...INLET_AMPS },
  { quantity: 'ac.p', field: 'acW', column: 'ac_w', ...INLET_POWER },
  { quantity: 'pv.p', field: 'pvW', column: 'pv_w', ...INLET_POWER },
  {
    type: 'number',
    quantity: 'temp',
    field: 'tempC',
    column: 'temp_c',
    unit: 'Cel',
    min: -60,
    max: 200,
    why: 'colder than any inhabited place, or hotter than a cell that is already burning',
  },
  {
    type: 'boolean',
    quantity: 'grid',
    field: 'gridPresent',
    column: 'grid_present',
    unit: null,
    why: 'the grid is there or it is not',
  },
  { quantity: 'reserve', field: 'reservePct', column: 'reserve_pct', ...PERCENT },
  {
    type: 'number',
    quantity: 'limit',
    field: 'limitW',
    column: 'limit_w',
    unit: 'W',
    min: 0,
    max: 50_000,
    why: 'a limit is a magnitude; 200 A at 250 V',
  },
  {
    type: 'boolean',
    quantity: 'storm',
    field: 'stormPreparing',
    column: 'storm_preparing',
    unit: null,
    why: 'the unit is preparing or it is not',
  },
  RSSI,
  SEQ,
  PERIOD,
];

/**
 * A meter reading in which nothing is known but who and when. Every meter reading is made here, so that all of
 * them have one shape in memory.
 * @param at device time, milliseconds since the Unix epoch
 */
export function emptyMeterReading(device: string, at: number): MeterReading {
  return {
    kind: 'meter',
    device,
    at,
    l1V: null,
    l2V: null,
    l1A: null,
    l2A: null,
    l1W: null,
    l2W: null,
    l1Var: null,
    l2Var: null,
    frequencyHz: null,
    inlet1A: null,
    inlet1W: null,
    inlet2A: null,
    inlet2W: null,
    importWh: null,
    exportWh: null,
    rssiDbm: null,
    seq: null,
    periodS: null,
  };
}

/**
 * A battery reading in which nothing is known but who and when. Every battery reading is made here.
 * @param at device time, milliseconds since the Unix epoch
 */
export function emptyBatteryReading(device: string, at: number): BatteryReading {
  return {
    kind: 'battery',
    device,
    at,
    socPct: null,
    acV: null,
    acA: null,
    acW: null,
    pvW: null,
    tempC: null,
    gridPresent: null,
    reservePct: null,
    limitW: null,
    stormPreparing: null,
    rssiDbm: null,
    seq: null,
    periodS: null,
  };
}
