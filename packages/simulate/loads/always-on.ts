import { type Appliance, electronics, heater, MINUTE_MS, NOTHING, startMotor, use } from './appliance.ts';

/** What never goes off on one leg: chargers, clocks, network, standby; it wanders a little. */
export function alwaysOn(leg: 'L1' | 'L2', meanW: number): Appliance {
  return {
    name: `always-on ${leg}`,
    parts: [
      { across: leg, backedUp: false },
      { across: leg, backedUp: true },
    ],
    plan(day, random, emit) {
      emit(day.startMs, 1, electronics(0.35 * meanW));
      let wander = 0;
      for (let atMs = day.startMs; atMs < day.endMs; atMs += random.exponential(3 * MINUTE_MS)) {
        wander = 0.8 * wander + 0.09 * random.normal();
        emit(atMs, 0, electronics(0.65 * meanW * Math.max(0.4, 1 + wander)));
      }
    },
  };
}

/** A refrigerator or freezer: compressor cycles, longer when it is warm, and a defrost heater twice a day. */
export function refrigerator(leg: 'L1' | 'L2', compressorW: number, name = 'refrigerator'): Appliance {
  return {
    name,
    parts: [{ across: leg, backedUp: true }],
    plan(day, random, emit) {
      const duty = day.away ? 0.28 : 0.36 + 0.006 * (day.weather.outsideC(day.startMs + 43_200_000) - 15);
      const cycleMs = random.between(28, 45) * MINUTE_MS;
      const defrostMs = day.startMs + random.between(1, 12) * 60 * MINUTE_MS;
      let defrosted = 0;
      emit(day.startMs, 0, NOTHING);
      for (let atMs = day.startMs + random.uniform() * cycleMs; atMs < day.endMs - cycleMs; ) {
        const onMs = cycleMs * duty * random.between(0.85, 1.15);
        startMotor(atMs, 0, compressorW, random, emit);
        emit(atMs + onMs, 0, NOTHING);
        atMs += Math.max(cycleMs * random.between(0.9, 1.1), onMs + 3 * MINUTE_MS);
        if (atMs > defrostMs + defrosted * 12 * 60 * MINUTE_MS) {
          defrosted += 1;
          const lengthMs = random.between(15, 25) * MINUTE_MS;
          use(atMs, lengthMs, 0, heater(3 * compressorW), emit);
          atMs += lengthMs + 5 * MINUTE_MS;
        }
      }
    },
  };
}
