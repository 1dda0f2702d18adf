import {
  type Appliance,
  electronics,
  HOUR_MS,
  heater,
  MINUTE_MS,
  momentAtHome,
  motor,
  NOTHING,
  startMotor,
  use,
} from './appliance.ts';

type Leg = 'L1' | 'L2';

/** The lamps of some rooms on one leg: with darkness in the evening, before sunrise on winter mornings. */
export function lights(leg: Leg, roomW: number): Appliance {
  return {
    name: `lights ${leg}`,
    parts: [0, 1, 2, 3].map((room) => ({ across: leg, backedUp: room === 0 })),
    plan(day, random, emit) {
      for (let room = 0; room < 4; room += 1) {
        const lamp = electronics(roomW * random.between(0.5, 1.5));
        emit(day.startMs, room, NOTHING);
        const dark = (atMs: number): boolean => day.weather.sunSine(atMs) < 0.08;
        if (!day.away && dark(day.wakeMs + 10 * MINUTE_MS) && random.chance(0.6)) {
          use(
            day.wakeMs + random.between(0, 20) * MINUTE_MS,
            random.between(15, 50) * MINUTE_MS,
            room,
            lamp,
            emit,
          );
        }
        // A household away leaves one room to a timer.
        if (day.away && room > 0) continue;
        let atMs = Math.max(day.returnMs, day.startMs + 15 * HOUR_MS);
        while (!dark(atMs) && atMs < day.sleepMs) atMs += 10 * MINUTE_MS;
        while (atMs < day.sleepMs) {
          const lengthMs = random.logNormal(70, 0.7) * MINUTE_MS;
          use(
            atMs,
            Math.min(lengthMs, day.sleepMs - atMs + random.uniform() * 15 * MINUTE_MS),
            room,
            lamp,
            emit,
          );
          atMs += lengthMs + random.exponential(25 * MINUTE_MS);
        }
      }
    },
  };
}

/** Television and computers: hours in the evening, longer at weekends. */
export function screens(leg: Leg, watts: number): Appliance {
  return {
    name: `screens ${leg}`,
    parts: [{ across: leg, backedUp: false }],
    plan(day, random, emit) {
      emit(day.startMs, 0, NOTHING);
      if (day.away) return;
      const fromMs = day.weekend ? day.wakeMs + 2 * HOUR_MS : day.returnMs;
      for (let atMs = fromMs + random.exponential(40 * MINUTE_MS); atMs < day.sleepMs; ) {
        const endMs = Math.min(day.sleepMs, atMs + random.logNormal(100, 0.5) * MINUTE_MS);
        for (let t = atMs; t < endMs; t += random.exponential(5 * MINUTE_MS)) {
          emit(t, 0, electronics(watts * random.between(0.85, 1.15)));
        }
        emit(endMs, 0, NOTHING);
        atMs = endMs + random.exponential(60 * MINUTE_MS);
      }
    },
  };
}

/** Vacuum cleaner, hair dryer, iron, tools: rare, short and heavy. */
export function occasional(leg: Leg): Appliance {
  return {
    name: `occasional ${leg}`,
    parts: [{ across: leg, backedUp: false }],
    plan(day, random, emit) {
      const tasks = day.weekend ? 3 : 1;
      let freeMs = 0;
      for (let task = 0; task < tasks; task += 1) {
        if (!random.chance(0.6)) continue;
        const atMs = momentAtHome(day, day.wakeMs, day.sleepMs - HOUR_MS, random);
        if (atMs === undefined || atMs < freeMs) continue;
        const lengthMs = random.logNormal(8, 0.6) * MINUTE_MS;
        freeMs = atMs + lengthMs;
        if (random.chance(0.5)) {
          startMotor(atMs, 0, random.between(700, 1300), random, emit);
          emit(atMs + lengthMs, 0, NOTHING);
        } else {
          use(atMs, lengthMs, 0, heater(random.between(1000, 1700)), emit);
        }
      }
    },
  };
}

/** An electric car on 240 V: holds its current for hours, most nights. */
export function carCharger(watts: number): Appliance {
  return {
    name: 'car charger',
    parts: [{ across: 'L1-L2', backedUp: false }],
    plan(day, random, emit) {
      if (day.away || !random.chance(0.6)) return;
      const startMs = day.returnMs + random.between(0.2, 5) * HOUR_MS;
      const lengthMs = Math.min(7, random.logNormal(1.8, 0.5)) * HOUR_MS;
      emit(startMs, 0, motor(watts, 0.99));
      emit(startMs + lengthMs, 0, motor(0.3 * watts, 0.98));
      emit(startMs + lengthMs + random.between(5, 20) * MINUTE_MS, 0, NOTHING);
    },
  };
}
