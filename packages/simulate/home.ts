// A home at work: time passes from one device's measurement to the next, and what reaches the broker comes out.

import { type Device, startDevice } from './device.ts';
import { conditionsUnder, FAULTS, truthsOf } from './faults/faults.ts';
import { startBatteryInstrument, startMeter } from './instruments.ts';
import type { FaultSpec, HomeScenario, HomeSimulation, Packet, Truth } from './scenario.ts';
import { startWorld, type World } from './world.ts';

/** A home is a day and a half old when it is first looked at, so that its battery stands where its days leave it. */
const RUN_IN_MS = 36 * 3_600_000;
const RUN_IN_STEP_MS = 60_000;

/**
 * Simulates one home: the same packets for the same scenario, in the order in which they reach the broker. What
 * the household, the weather and the utility do depends on the seed and the instant alone, so homes that are
 * started at different times are soon alike.
 *
 * @throws RangeError when a fault names a subject that the site does not have
 */
export function simulateHome(scenario: HomeScenario): HomeSimulation {
  const { site, faults = [] } = scenario;
  const watched = faults.map((spec): Watched => {
    return { spec, truths: truthsOf(spec, site), showsSinceMs: null, isShown: false };
  });
  const alerts = [
    ...(scenario.alerts ?? []),
    ...faults.flatMap((spec) => FAULTS[spec.name].alert?.(spec) ?? []),
  ];
  const outages = [
    ...(scenario.outages ?? []),
    ...faults.flatMap((spec) => FAULTS[spec.name].outage?.(spec) ?? []),
  ];

  let running: Running | undefined;
  const arriving: Packet[] = [];

  function start(): Running {
    const startMs = scenario.fromMs - RUN_IN_MS;
    const conditionsAt = conditionsUnder(faults, site);
    const advance = startWorld({ site, seed: scenario.seed, startMs, alerts, outages, conditionsAt });
    for (let atMs = startMs; atMs < scenario.fromMs; atMs += RUN_IN_STEP_MS) advance(atMs);
    const devices = [
      startDevice(scenario, 0, startMeter(scenario.seed, site)),
      ...site.batteries.map((_, index) =>
        startDevice(scenario, index + 1, startBatteryInstrument(scenario.seed, site, index)),
      ),
    ];
    return { advance, devices };
  }

  function nextPacket(): Packet | undefined {
    running ??= start();
    const { advance, devices } = running;
    while (arriving.length === 0) {
      const device = earliest(devices);
      if (device.nextMs >= scenario.toMs) return undefined;
      const world = advance(device.nextMs);
      for (const one of watched) if (!one.isShown) noteShown(world, one);
      device.measure(world, arriving);
    }
    return arriving.shift();
  }

  function* packets(): Generator<Packet, void, undefined> {
    for (let packet = nextPacket(); packet !== undefined; packet = nextPacket()) yield packet;
  }

  return {
    truths: watched.flatMap(({ truths }) => truths),
    alerts,
    outages,
    nextPacket,
    [Symbol.iterator]: packets,
  };
}

interface Running {
  readonly advance: (atMs: number) => World;
  readonly devices: readonly Device[];
}

interface Watched {
  readonly spec: FaultSpec;
  readonly truths: readonly Truth[];
  /** Since when the fault shows without a break; null while it does not. */
  showsSinceMs: number | null;
  isShown: boolean;
}

function noteShown(world: World, watched: Watched): void {
  const { spec, truths } = watched;
  if (world.atMs < spec.onsetMs || (spec.endMs !== null && world.atMs >= spec.endMs)) return;
  const { shows, showsForMs = 0 } = FAULTS[spec.name];
  if (!shows(world, spec)) {
    watched.showsSinceMs = null;
    return;
  }
  watched.showsSinceMs ??= world.atMs;
  if (world.atMs - watched.showsSinceMs < showsForMs) return;
  for (const truth of truths) truth.shownMs = watched.showsSinceMs;
  watched.isShown = true;
}

function earliest(devices: readonly Device[]): Device {
  let first = devices[0];
  for (const device of devices) if (first === undefined || device.nextMs < first.nextMs) first = device;
  if (first === undefined) throw new Error('a home has a meter at least');
  return first;
}
