import {
  type Appliance,
  cycle,
  HOUR_MS,
  heater,
  MINUTE_MS,
  momentAtHome,
  motor,
  NOTHING,
  SECOND_MS,
  use,
} from './appliance.ts';

type Leg = 'L1' | 'L2';

/** Kettle, coffee maker, toaster: short and heavy, mostly at breakfast and supper. */
export function countertopHeater(name: string, leg: Leg, watts: number, usesADay: number): Appliance {
  return {
    name,
    parts: [{ across: leg, backedUp: false }],
    plan(day, random, emit) {
      for (let cup = 0; cup < Math.round(usesADay * random.between(0.5, 1.5)); cup += 1) {
        const atBreakfast = random.chance(0.5);
        const fromMs = atBreakfast ? day.wakeMs : day.returnMs;
        const toMs = atBreakfast ? day.wakeMs + 2 * HOUR_MS : day.sleepMs;
        const atMs = momentAtHome(day, fromMs, toMs, random);
        if (atMs !== undefined) use(atMs, random.between(2, 5) * MINUTE_MS, 0, heater(watts), emit);
      }
    },
  };
}

/** A magnetron that is switched on and off for less than full power, with lamp, fan and turntable. */
export function microwave(leg: Leg, watts: number): Appliance {
  return {
    name: 'microwave',
    parts: [{ across: leg, backedUp: false }],
    plan(day, random, emit) {
      for (let meal = 0; meal < 4; meal += 1) {
        const atMs = momentAtHome(day, day.wakeMs, day.sleepMs, random);
        if (atMs === undefined) continue;
        const lengthMs = random.logNormal(2, 0.6) * MINUTE_MS;
        if (random.chance(0.7)) {
          use(atMs, lengthMs, 0, motor(watts, 0.93), emit);
          continue;
        }
        for (let t = 0; t < lengthMs; t += 22 * SECOND_MS) {
          emit(atMs + t, 0, motor(watts, 0.93));
          emit(atMs + t + 12 * SECOND_MS, 0, motor(60, 0.7));
        }
        emit(atMs + lengthMs + 22 * SECOND_MS, 0, NOTHING);
      }
    },
  };
}

/** A range on 240 V: burners under a fast thermostat, the oven under a slow one. */
export function range(): Appliance {
  return {
    name: 'range',
    parts: [
      { across: 'L1-L2', backedUp: false },
      { across: 'L1-L2', backedUp: false },
    ],
    plan(day, random, emit) {
      const supperMs = day.returnMs + random.between(0.3, 2) * HOUR_MS;
      if (day.away || supperMs > day.sleepMs || !random.chance(0.7)) return;
      const burnerMs = random.between(12, 35) * MINUTE_MS;
      const burner = { onMs: 9 * SECOND_MS, offMs: 13 * SECOND_MS };
      cycle(supperMs, supperMs + burnerMs, 0, heater(random.between(1200, 2400)), burner, random, emit);
      if (!random.chance(0.4)) return;
      const ovenW = heater(random.between(2400, 3200));
      const hotMs = supperMs + random.between(8, 12) * MINUTE_MS;
      use(supperMs, hotMs - supperMs, 1, ovenW, emit);
      const oven = { onMs: 70 * SECOND_MS, offMs: 170 * SECOND_MS };
      cycle(hotMs + 2 * MINUTE_MS, hotMs + random.between(20, 50) * MINUTE_MS, 1, ovenW, oven, random, emit);
    },
  };
}

/** A dishwasher: a small pump, and a heater for two stretches of its run. */
export function dishwasher(leg: Leg): Appliance {
  return {
    name: 'dishwasher',
    parts: [
      { across: leg, backedUp: false },
      { across: leg, backedUp: false },
    ],
    plan(day, random, emit) {
      if (!random.chance(0.5)) return;
      const startMs = momentAtHome(day, day.returnMs + 2 * HOUR_MS, day.sleepMs, random);
      if (startMs === undefined) return;
      use(startMs, 95 * MINUTE_MS, 0, motor(90, 0.75), emit);
      use(startMs + 8 * MINUTE_MS, random.between(12, 18) * MINUTE_MS, 1, heater(1150), emit);
      use(startMs + 60 * MINUTE_MS, random.between(12, 20) * MINUTE_MS, 1, heater(1150), emit);
    },
  };
}
