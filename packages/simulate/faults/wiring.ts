// Clamps that are not where they should be.

import type { World } from '../world.ts';
import type { Fault } from './fault.ts';
import { bothInlets, graded, inletIndex, inletPoint, inletsInUse, legs, service } from './fault.ts';

/** Power that has to flow before a clamp can show anything, W. */
const SHOWING_W = 100;

const NO_GRADES = 'no grades';

export const serviceCtReversed: Fault = {
  severity: NO_GRADES,
  subjects: legs,
  tells: ({ subject }) => [{ kind: 'service-ct-reversed', subject }],
  apply({ clamps }, { subject }) {
    const clamp = subject === 'L1' ? clamps.l1 : clamps.l2;
    clamp.reversed = !clamp.reversed;
  },
  shows: (world, { subject }) => ownLegPower(world, subject) > SHOWING_W,
};

export const serviceCtBothReversed: Fault = {
  severity: NO_GRADES,
  subjects: service,
  tells: () => [
    { kind: 'service-ct-reversed', subject: 'L1' },
    { kind: 'service-ct-reversed', subject: 'L2' },
  ],
  apply({ clamps }) {
    clamps.l1.reversed = !clamps.l1.reversed;
    clamps.l2.reversed = !clamps.l2.reversed;
  },
  shows: bothLegsCarry,
};

export const serviceCtSwapped: Fault = {
  severity: NO_GRADES,
  subjects: service,
  tells: () => [{ kind: 'service-ct-swapped', subject: 'service' }],
  apply({ clamps }) {
    clamps.l1.onLeg = 'L2';
    clamps.l2.onLeg = 'L1';
  },
  shows: showsSwapped,
};

export const serviceCtSwappedOneReversed: Fault = {
  severity: 'below 0.5 the clamp of the L1 channel is the reversed one, else that of L2',
  subjects: service,
  tells: (spec) => [
    { kind: 'service-ct-swapped', subject: 'service' },
    { kind: 'service-ct-reversed', subject: spec.severity < 0.5 ? 'L1' : 'L2' },
  ],
  apply({ clamps }, spec) {
    clamps.l1.onLeg = 'L2';
    clamps.l2.onLeg = 'L1';
    const clamp = spec.severity < 0.5 ? clamps.l1 : clamps.l2;
    clamp.reversed = !clamp.reversed;
  },
  // With one leg empty the other's power is all there is: which of the two arrows is turned, nobody can tell.
  shows: (world, spec) => showsSwapped(world, spec) && bothLegsCarry(world),
};

/** Each leg's power appears on the other channel with the right sign: the total is right. */
export const serviceCtSwappedBothReversed: Fault = {
  severity: NO_GRADES,
  subjects: service,
  tells: () => [{ kind: 'service-ct-swapped', subject: 'service' }],
  fair: () => [
    { kind: 'service-ct-reversed', subject: 'L1' },
    { kind: 'service-ct-reversed', subject: 'L2' },
  ],
  apply({ clamps }) {
    clamps.l1 = { onLeg: 'L2', reversed: !clamps.l1.reversed };
    clamps.l2 = { onLeg: 'L1', reversed: !clamps.l2.reversed };
  },
  shows: showsSwapped,
};

export const inletCtReversed: Fault = {
  severity: NO_GRADES,
  subjects: inletsInUse,
  tells: ({ subject }) => [{ kind: 'inlet-ct-reversed', subject }],
  apply({ clamps }, { subject }) {
    const index = inletIndex(subject);
    clamps.inletReversed[index] = !clamps.inletReversed[index];
  },
  shows: (world, { subject }) => Math.abs(inletPoint(world, subject).powerW) > SHOWING_W,
};

export const inletCtSwapped: Fault = {
  severity: NO_GRADES,
  subjects: (site) => (inletsInUse(site).length === 2 ? bothInlets(site) : []),
  tells: ({ subject }) => [{ kind: 'inlet-ct-swapped', subject }],
  apply({ clamps }) {
    clamps.inletsSwapped = true;
  },
  shows: (world) => world.inlets.some(({ powerW }) => Math.abs(powerW) > SHOWING_W),
};

export const ctNoSignal: Fault = {
  severity: '0: a trace of the signal is left (0.3 %), 1: nothing',
  subjects: (site) => [...legs(), ...inletsInUse(site)],
  tells: ({ subject }) => [{ kind: 'ct-no-signal', subject }],
  apply: ({ clamps }, spec) => setGain(clamps, spec.subject, graded(spec, 0.003, 0)),
  shows: showsChannel,
};

export const ctRatio: Fault = {
  severity: 'below 0.5 the channel reads half, else twice',
  subjects: (site) => [...legs(), ...inletsInUse(site)],
  tells: ({ subject }) => [{ kind: 'ct-ratio', subject }],
  // A clamp that reads twice shows an inlet over its cap, until it is known for what it is.
  fair: ({ subject }) =>
    subject.startsWith('inlet')
      ? [
          { kind: 'inlet-over-cap', subject },
          { kind: 'inlet-continuous-load', subject },
        ]
      : [],
  apply: ({ clamps }, spec) => setGain(clamps, spec.subject, spec.severity < 0.5 ? 0.5 : 2),
  // A leg without a battery has only the other leg to be held against.
  shows(world, spec) {
    const hasMeasure = spec.subject.startsWith('inlet') || hasBattery(world, spec.subject);
    return showsChannel(world, spec) && (hasMeasure || bothLegsCarry(world));
  },
};

function setGain(clamps: Parameters<Fault['apply']>[0]['clamps'], subject: string, gain: number): void {
  if (subject === 'L1') clamps.l1Gain *= gain;
  else if (subject === 'L2') clamps.l2Gain *= gain;
  else clamps.inletGain[inletIndex(subject)] *= gain;
}

function showsChannel(...[world, { subject }]: Parameters<Fault['shows']>): boolean {
  if (subject === 'L1' || subject === 'L2') return ownLegPower(world, subject) > SHOWING_W;
  return Math.abs(inletPoint(world, subject).powerW) > SHOWING_W;
}

/** Swapped clamps show as soon as the legs differ. */
function showsSwapped(...[world]: Parameters<Fault['shows']>): boolean {
  return Math.abs(world.l1.powerW - world.l2.powerW) > SHOWING_W;
}

function bothLegsCarry(world: World): boolean {
  return ownLegPower(world, 'L1') > SHOWING_W && ownLegPower(world, 'L2') > SHOWING_W;
}

/**
 * What the household and the batteries make flow on a leg, W. Panels do not count: nobody knows what they give, so
 * what they alone put on a leg proves neither its arrow nor its clamp.
 */
function ownLegPower({ site, house, inlets, gridPresent }: World, leg: string): number {
  if (!gridPresent) return 0;
  const load = leg === 'L1' ? house.l1 : house.l2;
  let watts = load.impedanceW + load.powerW + (house.l1l2.impedanceW + house.l1l2.powerW) / 2;
  site.inlets.forEach((inlet, index) => {
    if (inlet.leg === leg) watts += inlets[index]?.powerW ?? 0;
  });
  return Math.abs(watts);
}

function hasBattery({ site }: World, leg: string): boolean {
  return site.inlets.some(
    (inlet) => inlet.leg === leg && site.batteries.some((battery) => battery.inlet === inlet.number),
  );
}
