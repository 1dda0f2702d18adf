// Every detector there is. A new one adds its file, its line here, and nothing else.

import type { Detector } from './detector.ts';
import { deviceSilent } from './detectors/device-silent.ts';
import { reserveLow } from './detectors/reserve-low.ts';
import { stormChargeStalled } from './detectors/storm-charge-stalled.ts';

export const CATALOG: readonly Detector[] = [
  // Causes stand before what they explain.
  deviceSilent,
  reserveLow,
  stormChargeStalled,
];
