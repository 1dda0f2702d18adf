import type { RandomStream } from '../random.ts';
import {
  type Appliance,
  type Emit,
  HOUR_MS,
  type HouseholdDay,
  heater,
  MINUTE_MS,
  motor,
  NOTHING,
  startMotor,
  use,
} from './appliance.ts';

type Leg = 'L1' | 'L2';

/**
 * Central air conditioning, or a heat pump that also heats: a compressor on 240 V that runs the share of its
 * cycle that the temperature outside asks for, and an air handler on one leg.
 */
export function airConditioning(leg: Leg, compressorW: number, alsoHeats: boolean): Appliance {
  return {
    name: 'air conditioning',
    parts: [
      { across: 'L1-L2', backedUp: false },
      { across: leg, backedUp: false },
    ],
    plan(day, random, emit) {
      const setback = day.away ? 4 : 0;
      const coolAboveC = 23 + setback + random.between(-0.7, 0.7);
      const duty = (atMs: number): number => {
        const outC = day.weather.outsideC(atMs);
        const cooling = (outC - coolAboveC) / 15;
        const heating = alsoHeats ? (11 - setback - outC) / 24 : 0;
        return Math.min(1, Math.max(cooling, heating));
      };
      for (let atMs = day.startMs + random.uniform() * 15 * MINUTE_MS; atMs < day.endMs - 20 * MINUTE_MS; ) {
        const cycleMs = random.between(13, 20) * MINUTE_MS;
        const share = duty(atMs);
        if (share > 0.12) {
          const onMs = Math.max(4 * MINUTE_MS, cycleMs * Math.min(share, 0.93));
          startMotor(atMs, 0, compressorW * random.between(0.96, 1.04), random, emit);
          emit(atMs + onMs, 0, NOTHING);
          use(atMs + 3000, onMs + MINUTE_MS, 1, motor(380, 0.8), emit);
          atMs += Math.max(cycleMs, onMs + 2 * MINUTE_MS);
        } else {
          atMs += cycleMs;
        }
      }
    },
  };
}

/** The blower of a gas furnace, in the cold. */
export function furnaceBlower(leg: Leg): Appliance {
  return {
    name: 'furnace blower',
    parts: [{ across: leg, backedUp: true }],
    plan(day, random, emit) {
      for (let atMs = day.startMs; atMs < day.endMs - 25 * MINUTE_MS; ) {
        const cycleMs = random.between(15, 25) * MINUTE_MS;
        const share = Math.min(0.85, (14 - day.weather.outsideC(atMs)) / 30);
        if (share > 0.1) {
          startMotor(atMs, 0, 430, random, emit);
          emit(atMs + share * cycleMs, 0, NOTHING);
        }
        atMs += cycleMs;
      }
    },
  };
}

/** A storage water heater: reheats after showers, and now and then against its own losses. */
export function waterHeater(watts: number): Appliance {
  return {
    name: 'water heater',
    parts: [{ across: 'L1-L2', backedUp: false }],
    plan(day, random, emit) {
      const reheats = reheatsOf(day, random).sort((a, b) => a.atMs - b.atMs);
      let freeMs = day.startMs;
      for (const { atMs, minutes } of reheats) {
        const startMs = Math.max(atMs, freeMs);
        use(startMs, minutes * MINUTE_MS, 0, heater(watts), emit);
        freeMs = startMs + (minutes + 2) * MINUTE_MS;
      }
    },
  };
}

function reheatsOf(day: HouseholdDay, random: RandomStream): { atMs: number; minutes: number }[] {
  const reheats = [];
  for (let hour = 1; hour < 23; hour += random.between(5, 8)) {
    reheats.push({ atMs: day.startMs + hour * HOUR_MS, minutes: random.between(5, 9) });
  }
  if (day.away) return reheats;
  const showers = 1 + Math.floor(random.uniform() * 3);
  for (let shower = 0; shower < showers; shower += 1) {
    const morning = random.chance(0.65);
    const atMs = (morning ? day.wakeMs : day.sleepMs - 2 * HOUR_MS) + random.between(0.2, 1.2) * HOUR_MS;
    reheats.push({ atMs, minutes: random.between(14, 26) });
  }
  return reheats;
}

/** A pool or well pump: hours at a stretch on 240 V, by a timer. */
export function poolPump(startHour: number): Appliance {
  return {
    name: 'pool pump',
    parts: [{ across: 'L1-L2', backedUp: false }],
    plan(day, random: RandomStream, emit: Emit) {
      const atMs = day.startMs + startHour * HOUR_MS;
      startMotor(atMs, 0, 1250, random, emit);
      emit(atMs + 6 * HOUR_MS, 0, NOTHING);
    },
  };
}
