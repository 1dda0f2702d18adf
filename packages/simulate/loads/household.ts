// A household: which appliances it has, on which legs, and what they take together at any moment. Days are
// planned whole, each from its own random stream, so the household is the same whatever the sampling.

import type { ZoneClock } from '@afterwatt/tariff';
import { type RandomStream, randomStream } from '../random.ts';
import type { Weather } from '../weather.ts';
import { alwaysOn, refrigerator } from './always-on.ts';
import { type Appliance, type Draw, HOUR_MS, type HouseholdDay, NOTHING } from './appliance.ts';
import { airConditioning, furnaceBlower, poolPump, waterHeater } from './climate.ts';
import { countertopHeater, dishwasher, microwave, range } from './kitchen.ts';
import { laundry } from './laundry.ts';
import { carCharger, lights, occasional, screens } from './living.ts';

/** Sums over all that lies across the same conductors; W and var. */
export interface Total {
  impedanceW: number;
  powerW: number;
  reactiveVar: number;
}

export interface HouseLoad {
  readonly l1: Total;
  readonly l2: Total;
  readonly l1l2: Total;
  /** What the backed-up circuit takes, W. */
  backedUpW: number;
}

export interface Household {
  readonly appliances: readonly Appliance[];
  /** Brings the load up to `atMs`, which must not go back. The same object each time. */
  loadAt(atMs: number): HouseLoad;
}

interface Change {
  readonly atMs: number;
  readonly slot: number;
  readonly draw: Draw;
}

type Leg = 'L1' | 'L2';

export function startHousehold(seed: string, clock: ZoneClock, weather: Weather, fromMs: number): Household {
  const appliances = furnish(randomStream(seed, 'household'));
  const slots = appliances.flatMap((appliance) => appliance.parts);
  const draws: Draw[] = slots.map(() => NOTHING);
  const load: HouseLoad = { l1: zero(), l2: zero(), l1l2: zero(), backedUpW: 0 };
  let plannedToMs = clock.localDayStart(clock.localDayStart(fromMs) - 1);
  let changes: Change[] = [];
  let position = 0;

  function planNextDay(): void {
    const dayNumber = clock.dayNumber(plannedToMs);
    const day = householdDay(seed, dayNumber, clock, weather);
    const planned: Change[] = changes.slice(position);
    let slot = 0;
    for (const appliance of appliances) {
      const first = slot;
      appliance.plan(day, randomStream(seed, appliance.name, dayNumber), (atMs, part, draw) =>
        planned.push({ atMs, slot: first + part, draw }),
      );
      slot += appliance.parts.length;
    }
    changes = planned.sort((a, b) => a.atMs - b.atMs);
    position = 0;
    plannedToMs = day.endMs;
  }

  function addUp(): void {
    clear(load.l1);
    clear(load.l2);
    clear(load.l1l2);
    load.backedUpW = 0;
    for (let slot = 0; slot < slots.length; slot += 1) {
      const part = slots[slot];
      const draw = draws[slot];
      if (part === undefined || draw === undefined || draw === NOTHING) continue;
      const total = part.across === 'L1' ? load.l1 : part.across === 'L2' ? load.l2 : load.l1l2;
      total.impedanceW += draw.impedanceW;
      total.powerW += draw.powerW;
      total.reactiveVar += draw.reactiveVar;
      if (part.backedUp) load.backedUpW += draw.impedanceW + draw.powerW;
    }
  }

  return {
    appliances,
    loadAt(atMs) {
      while (atMs >= plannedToMs) planNextDay();
      let changed = false;
      for (let next = changes[position]; next !== undefined && next.atMs <= atMs; next = changes[position]) {
        draws[next.slot] = next.draw;
        position += 1;
        changed = true;
      }
      if (changed) addUp();
      return load;
    },
  };
}

/** What a home of this seed owns. Shares of homes that have a thing are rough (from memory). */
function furnish(random: RandomStream): Appliance[] {
  const kitchen: Leg = random.pick(['L1', 'L2']);
  const other: Leg = kitchen === 'L1' ? 'L2' : 'L1';
  const anyLeg = (): Leg => random.pick(['L1', 'L2']);
  const size = random.logNormal(1, 0.25);
  const core = (leg: Leg): Appliance[] => [
    refrigerator(leg, random.between(110, 170)),
    alwaysOn(leg, size * random.between(70, 190)),
    countertopHeater('kettle', leg, random.between(1200, 1500), 3),
    microwave(leg, random.between(1000, 1600)),
    screens(leg, random.between(90, 260)),
  ];

  // A small cabin or an apartment wired from one leg only: nothing at all on the other.
  if (random.chance(0.04)) {
    const only = anyLeg();
    return [...core(only), lights(only, 25 * size), occasional(only), dishwasher(only)];
  }

  const appliances = [
    ...core(kitchen),
    alwaysOn(other, size * random.between(40, 160)),
    countertopHeater('coffee maker', anyLeg(), random.between(800, 1100), 2),
    lights('L1', size * random.between(15, 40)),
    lights('L2', size * random.between(15, 40)),
    screens(other, random.between(60, 200)),
    occasional('L1'),
    occasional('L2'),
    dishwasher(other),
    laundry(anyLeg(), random.chance(0.75) ? 'electric' : 'gas'),
  ];
  if (random.chance(0.35)) appliances.push(refrigerator(other, random.between(80, 140), 'freezer'));
  if (random.chance(0.65)) appliances.push(range());
  const heatPump = random.chance(0.25);
  if (heatPump || random.chance(0.7)) {
    appliances.push(airConditioning(anyLeg(), size * random.between(2000, 3600), heatPump));
  }
  if (!heatPump) appliances.push(furnaceBlower(anyLeg()));
  if (random.chance(0.45)) appliances.push(waterHeater(4500));
  if (random.chance(0.15)) appliances.push(carCharger(random.pick([3800, 7200, 7700])));
  if (random.chance(0.08)) appliances.push(poolPump(random.between(8, 12)));
  return appliances;
}

function householdDay(seed: string, dayNumber: number, clock: ZoneClock, weather: Weather): HouseholdDay {
  const random = randomStream(seed, 'day', dayNumber);
  const habits = randomStream(seed, 'habits');
  const usualWake = habits.between(5.5, 7.5);
  const usualSleep = habits.between(21.7, 23.6);
  const startMs = clock.dayStart(dayNumber);
  const endMs = clock.dayStart(dayNumber + 1);
  // 1970-01-01 was a Thursday: day 2 of the epoch was the first Saturday.
  const weekend = (dayNumber + 5) % 7 < 2;
  const atHome = weekend || random.chance(habits.chance(0.3) ? 0.8 : 0.15);
  const at = (hour: number): number => startMs + hour * HOUR_MS;
  const wakeMs = at(usualWake + (weekend ? 1.2 : 0) + 0.4 * random.normal());
  const leaveMs = wakeMs + random.between(0.8, 1.6) * HOUR_MS;
  return {
    startMs,
    endMs,
    weekend,
    away: isAway(seed, dayNumber),
    wakeMs,
    leaveMs,
    returnMs: atHome ? leaveMs : at(random.between(16, 18.5)),
    sleepMs: at(Math.min(23.8, usualSleep + 0.4 * random.normal())),
    weather,
  };
}

/** Some weeks the household is away for some days. */
function isAway(seed: string, dayNumber: number): boolean {
  const week = Math.floor(dayNumber / 7);
  const random = randomStream(seed, 'vacation', week);
  if (!random.chance(0.05)) return false;
  const first = Math.floor(random.uniform() * 4);
  const dayOfWeek = dayNumber - 7 * week;
  return dayOfWeek >= first && dayOfWeek < first + 3 + Math.floor(random.uniform() * 3);
}

function zero(): Total {
  return { impedanceW: 0, powerW: 0, reactiveVar: 0 };
}

function clear(total: Total): void {
  total.impedanceW = 0;
  total.powerW = 0;
  total.reactiveVar = 0;
}
