// Every fault a home can be given: at least one for each incident kind.

import type { Site } from '@afterwatt/wire';
import { type Conditions, healthyConditions } from '../conditions.ts';
import type { FaultSpec, Truth } from '../scenario.ts';
import { batteryEnergyMismatch, batteryHot } from './battery.ts';
import {
  backfeedInOutage,
  inletCircuitResistance,
  inletContinuousLoad,
  inletOverCap,
  inletOverCapForeignLoad,
  openNeutral,
  openNeutralSlow,
  voltageOutOfRange,
} from './circuit.ts';
import {
  deviceClockSkew,
  deviceSilent,
  fleetSilence,
  radioWeak,
  readingsLost,
  selfTestMissing,
  sensorFlatline,
} from './devices.ts';
import type { Fault } from './fault.ts';
import type { FaultName } from './fault-name.ts';
import { reserveForecast, reserveLow, reserveSetting } from './reserve.ts';
import { stormChargeBehind, stormChargeStalled, stormDischarging } from './storm.ts';
import {
  tariffChargeInPeak,
  tariffClockShift,
  tariffDischargeInSuperOffPeak,
  tariffOffPeakDepth,
} from './tariff.ts';
import {
  ctNoSignal,
  ctRatio,
  inletCtReversed,
  inletCtSwapped,
  serviceCtBothReversed,
  serviceCtReversed,
  serviceCtSwapped,
  serviceCtSwappedBothReversed,
  serviceCtSwappedOneReversed,
} from './wiring.ts';

/** A fault that grows over days has moved on by next to nothing after this. */
const GROWS_BY_MS = 60_000;

export const FAULTS: Readonly<Record<FaultName, Fault>> = {
  'service-ct-reversed': serviceCtReversed,
  'service-ct-both-reversed': serviceCtBothReversed,
  'service-ct-swapped': serviceCtSwapped,
  'service-ct-swapped-one-reversed': serviceCtSwappedOneReversed,
  'service-ct-swapped-both-reversed': serviceCtSwappedBothReversed,
  'inlet-ct-reversed': inletCtReversed,
  'inlet-ct-swapped': inletCtSwapped,
  'ct-no-signal': ctNoSignal,
  'ct-ratio': ctRatio,
  'inlet-over-cap': inletOverCap,
  'inlet-over-cap-foreign-load': inletOverCapForeignLoad,
  'inlet-continuous-load': inletContinuousLoad,
  'inlet-circuit-resistance': inletCircuitResistance,
  'open-neutral': openNeutral,
  'open-neutral-slow': openNeutralSlow,
  'voltage-out-of-range': voltageOutOfRange,
  'backfeed-in-outage': backfeedInOutage,
  'reserve-low': reserveLow,
  'reserve-forecast': reserveForecast,
  'reserve-setting': reserveSetting,
  'storm-charge-stalled': stormChargeStalled,
  'storm-charge-behind': stormChargeBehind,
  'storm-discharging': stormDischarging,
  'tariff-charge-in-peak': tariffChargeInPeak,
  'tariff-discharge-in-super-off-peak': tariffDischargeInSuperOffPeak,
  'tariff-off-peak-depth': tariffOffPeakDepth,
  'tariff-clock-shift': tariffClockShift,
  'battery-energy-mismatch': batteryEnergyMismatch,
  'battery-hot': batteryHot,
  'device-silent': deviceSilent,
  'device-clock-skew': deviceClockSkew,
  'readings-lost': readingsLost,
  'sensor-flatline': sensorFlatline,
  'radio-weak': radioWeak,
  'self-test-missing': selfTestMissing,
  'fleet-silence': fleetSilence,
};

/**
 * What must be raised for a fault, with nothing shown yet.
 * @throws RangeError when it cannot happen to that subject of the site
 */
export function truthsOf(spec: FaultSpec, site: Site): Truth[] {
  const fault = FAULTS[spec.name];
  if (!fault.subjects(site).includes(spec.subject)) {
    throw new RangeError(`${spec.name} cannot happen to "${spec.subject}" of ${site.id}`);
  }
  const { name, onsetMs, endMs } = spec;
  const fair = fault.fair?.(spec, site) ?? [];
  return fault
    .tells(spec, site)
    .map((told) => ({ ...told, fault: name, onsetMs, endMs, shownMs: null, fair }));
}

/**
 * How these faults have a home at an instant. The same object for instants between which no fault comes, goes or
 * grows.
 */
export function conditionsUnder(specs: readonly FaultSpec[], site: Site): (atMs: number) => Conditions {
  const healthy = healthyConditions(site);
  const acting = specs.map((spec) => ({
    spec,
    fault: FAULTS[spec.name],
    fromMs: spec.onsetMs - (FAULTS[spec.name].leadMs ?? 0),
    toMs: spec.endMs ?? Number.POSITIVE_INFINITY,
  }));
  const changesMs = acting.flatMap(({ spec, fromMs, toMs }) => [fromMs, spec.onsetMs, toMs]);
  let conditions = healthy;
  let validFromMs = Number.POSITIVE_INFINITY;
  let validToMs = Number.NEGATIVE_INFINITY;

  function make(atMs: number): Conditions {
    validFromMs = Math.max(Number.NEGATIVE_INFINITY, ...changesMs.filter((ms) => ms <= atMs));
    validToMs = Math.min(Number.POSITIVE_INFINITY, ...changesMs.filter((ms) => ms > atMs));
    let made = healthy;
    for (const { spec, fault, fromMs, toMs } of acting) {
      if (atMs < fromMs || atMs >= toMs) continue;
      if (made === healthy) made = healthyConditions(site);
      fault.apply(made, spec, site, atMs);
      if (fault.growsForMs === undefined || atMs > spec.onsetMs + fault.growsForMs) continue;
      validFromMs = atMs;
      validToMs = Math.min(validToMs, atMs + GROWS_BY_MS);
    }
    return made;
  }

  return (atMs) => {
    if (atMs < validFromMs || atMs >= validToMs) conditions = make(atMs);
    return conditions;
  };
}
