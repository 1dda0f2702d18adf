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
  startMotor,
  use,
} from './appliance.ts';

type Leg = 'L1' | 'L2';

/**
 * Washer and dryer, one after the other. The dryer is a 240 V load with a neutral: its heater lies across both
 * legs, its drum motor on one of them.
 */
export function laundry(leg: Leg, dryer: 'electric' | 'gas'): Appliance {
  return {
    name: 'laundry',
    parts: [
      { across: leg, backedUp: false },
      { across: leg, backedUp: false },
      { across: 'L1-L2', backedUp: false },
    ],
    plan(day, random, emit) {
      if (!random.chance(day.weekend ? 0.75 : 0.25)) return;
      const startMs = momentAtHome(day, day.wakeMs, day.sleepMs - 3 * HOUR_MS, random);
      if (startMs === undefined) return;
      const loads = day.weekend && random.chance(0.4) ? 2 : 1;
      for (let load = 0; load < loads; load += 1) {
        const washMs = startMs + load * 70 * MINUTE_MS;
        wash(washMs);
        dry(washMs + 45 * MINUTE_MS);
      }

      function wash(atMs: number): void {
        for (let t = 0; t < 38 * MINUTE_MS; t += 40 * SECOND_MS) {
          emit(atMs + t, 0, motor(random.between(120, 260), 0.6));
          emit(atMs + t + 22 * SECOND_MS, 0, motor(15, 0.6));
        }
        use(atMs + 38 * MINUTE_MS, 4 * MINUTE_MS, 0, motor(450, 0.7), emit);
      }

      function dry(atMs: number): void {
        const endMs = atMs + random.between(40, 60) * MINUTE_MS;
        startMotor(atMs, 1, 280, random, emit);
        emit(endMs, 1, NOTHING);
        if (dryer === 'gas') return;
        const thermostat = { onMs: 4 * MINUTE_MS, offMs: 1.6 * MINUTE_MS };
        cycle(
          atMs + 2000,
          endMs - 5 * MINUTE_MS,
          2,
          heater(random.between(4700, 5200)),
          thermostat,
          random,
          emit,
        );
      }
    },
  };
}
