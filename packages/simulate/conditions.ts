// What faults can change about a home, all in one place: how things are at one instant. Healthy unless a fault
// says otherwise; several faults at once each change their own part.

import type { Clamp } from '@afterwatt/electrical';
import type { Site } from '@afterwatt/wire';

export interface ServiceConditions {
  /** Beyond the healthy neutral, ohm. */
  neutralExtraOhm: number;
  /** Added to the utility's voltage on both legs, V. */
  sourceShiftV: number;
}

/** The meter's current clamps: where they sit, and what they multiply (0 = no signal). */
export interface ClampConditions {
  l1: Clamp;
  l2: Clamp;
  l1Gain: number;
  l2Gain: number;
  inletsSwapped: boolean;
  inletReversed: [boolean, boolean];
  inletGain: [number, number];
}

export interface InletConditions {
  /** A load that is plugged in beside the battery, W at nominal voltage. */
  foreignW: number;
  /** In the circuit between panel and battery beyond its conductors, ohm. */
  extraOhm: number;
}

export interface BatteryConditions {
  /** What is left of the capacity and of the efficiency, 1 = as sold. */
  capacityShare: number;
  efficiencyShare: number;
  tempShiftC: number;
  /** The reserve set in the unit itself, per cent. */
  reservePct: number;
  /** How far the unit's schedule runs ahead of the tariff, ms. */
  scheduleShiftMs: number;
  chargeRefused: boolean;
  /** Neither charges nor feeds. */
  held: boolean;
  /** In place of the unit's own charging power. */
  chargeW: number | null;
  /** Goes on feeding a little until this state of charge, and does not recharge. */
  drainToPct: number | null;
  /** During a storm preparation: feeds the house with this. */
  stormFeedW: number;
  stormChargeW: number | null;
  /** Charges in the peak, feeds in the super off-peak: this much, in the first part of the period. */
  peakChargeW: number;
  superOffPeakFeedW: number;
  /** Feeds this share of its capacity in each off-peak period, per cent. */
  offPeakDepthPct: number;
  /** In an outage: fed through the inlet to the panel, and taken by the backed-up circuit beyond the usual. */
  backfeedW: number;
  backupExtraW: number;
}

export interface DeviceConditions {
  silent: boolean;
  /** The broker saw the connection break and published the Last Will. */
  lastWill: boolean;
  clockSkewMs: number;
  lossRate: number;
  /** In place of the usual median, dBm. */
  rssiMedianDbm: number | null;
  /** The quantity, as it is named on the wire, that repeats its last value. */
  frozen: string | null;
  /** What becomes of self-tests; if they do not pass, it began with a new firmware. */
  selfTest: 'passes' | 'is not made' | 'fails';
}

export interface Conditions {
  readonly service: ServiceConditions;
  readonly clamps: ClampConditions;
  /** By inlet number - 1. */
  readonly inlets: readonly [InletConditions, InletConditions];
  /** In the order of `site.batteries`. */
  readonly batteries: readonly BatteryConditions[];
  /** The meter first, then the batteries in their order. */
  readonly devices: readonly DeviceConditions[];
}

export function healthyConditions(site: Site): Conditions {
  return {
    service: { neutralExtraOhm: 0, sourceShiftV: 0 },
    clamps: {
      l1: { onLeg: 'L1', reversed: false },
      l2: { onLeg: 'L2', reversed: false },
      l1Gain: 1,
      l2Gain: 1,
      inletsSwapped: false,
      inletReversed: [false, false],
      inletGain: [1, 1],
    },
    inlets: [
      { foreignW: 0, extraOhm: 0 },
      { foreignW: 0, extraOhm: 0 },
    ],
    batteries: site.batteries.map(({ reservePct }) => healthyBattery(reservePct)),
    devices: [healthyDevice(), ...site.batteries.map(healthyDevice)],
  };
}

function healthyBattery(reservePct: number): BatteryConditions {
  return {
    capacityShare: 1,
    efficiencyShare: 1,
    tempShiftC: 0,
    reservePct,
    scheduleShiftMs: 0,
    chargeRefused: false,
    held: false,
    chargeW: null,
    drainToPct: null,
    stormFeedW: 0,
    stormChargeW: null,
    peakChargeW: 0,
    superOffPeakFeedW: 0,
    offPeakDepthPct: 0,
    backfeedW: 0,
    backupExtraW: 0,
  };
}

function healthyDevice(): DeviceConditions {
  return {
    silent: false,
    lastWill: false,
    clockSkewMs: 0,
    lossRate: 0,
    rssiMedianDbm: null,
    frozen: null,
    selfTest: 'passes',
  };
}
