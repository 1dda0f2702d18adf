// Every detector there is. A new one adds its file, its line here, and nothing else.

import type { IncidentKind } from '@afterwatt/wire';
import type { Detector } from './detector.ts';
import { backfeedInOutage } from './detectors/backfeed-in-outage.ts';
import { batteryEnergyMismatch } from './detectors/battery-energy-mismatch.ts';
import { batteryHot } from './detectors/battery-hot.ts';
import { ctNoSignal } from './detectors/ct-no-signal.ts';
import { ctRatio } from './detectors/ct-ratio.ts';
import { deviceClockSkew } from './detectors/device-clock-skew.ts';
import { deviceSilent } from './detectors/device-silent.ts';
import { inletCircuitResistance } from './detectors/inlet-circuit-resistance.ts';
import { inletContinuousLoad } from './detectors/inlet-continuous-load.ts';
import { inletCtReversed } from './detectors/inlet-ct-reversed.ts';
import { inletCtSwapped } from './detectors/inlet-ct-swapped.ts';
import { inletOverCap } from './detectors/inlet-over-cap.ts';
import { openNeutral } from './detectors/open-neutral.ts';
import { radioWeak } from './detectors/radio-weak.ts';
import { readingsLost } from './detectors/readings-lost.ts';
import { reserveForecast } from './detectors/reserve-forecast.ts';
import { reserveLow } from './detectors/reserve-low.ts';
import { reserveSetting } from './detectors/reserve-setting.ts';
import { selfTestMissing } from './detectors/self-test-missing.ts';
import { sensorFlatline } from './detectors/sensor-flatline.ts';
import { serviceCtReversed } from './detectors/service-ct-reversed.ts';
import { serviceCtSwapped } from './detectors/service-ct-swapped.ts';
import { stormChargeBehind } from './detectors/storm-charge-behind.ts';
import { stormChargeStalled } from './detectors/storm-charge-stalled.ts';
import { stormDischarging } from './detectors/storm-discharging.ts';
import { tariffChargeInPeak } from './detectors/tariff-charge-in-peak.ts';
import { tariffClockShift } from './detectors/tariff-clock-shift.ts';
import { tariffDischargeInSuperOffPeak } from './detectors/tariff-discharge-in-super-off-peak.ts';
import { tariffOffPeakDepth } from './detectors/tariff-off-peak-depth.ts';
import { voltageOutOfRange } from './detectors/voltage-out-of-range.ts';

export const CATALOG: readonly Detector[] = [
  // Causes stand before what they explain.
  deviceClockSkew,
  deviceSilent,
  inletCtReversed,
  inletCtSwapped,
  serviceCtReversed,
  serviceCtSwapped,
  ctNoSignal,
  ctRatio,
  sensorFlatline,
  backfeedInOutage,
  openNeutral,
  voltageOutOfRange,
  inletOverCap,
  inletContinuousLoad,
  inletCircuitResistance,
  reserveLow,
  reserveForecast,
  reserveSetting,
  stormDischarging,
  stormChargeStalled,
  stormChargeBehind,
  tariffClockShift,
  tariffChargeInPeak,
  tariffDischargeInSuperOffPeak,
  tariffOffPeakDepth,
  batteryEnergyMismatch,
  batteryHot,
  readingsLost,
  radioWeak,
  selfTestMissing,
];

/** Kinds that rest on what did *not* come, which one device's latecomers cannot say of the others. */
const NEED_ALL_DEVICES: readonly IncidentKind[] = ['device-silent', 'readings-lost', 'self-test-missing'];

/** The detectors that judge latecomers apart. */
export const LATE_CATALOG: readonly Detector[] = CATALOG.filter(
  ({ kind }) => !NEED_ALL_DEVICES.includes(kind),
);
