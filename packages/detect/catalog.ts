// Every detector there is. A new one adds its file, its line here, and nothing else.

import type { Detector } from './detector.ts';
import { reserveLow } from './detectors/reserve-low.ts';

export const CATALOG: readonly Detector[] = [reserveLow];
