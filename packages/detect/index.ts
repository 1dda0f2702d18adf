export { CATALOG, LATE_CATALOG } from './catalog.ts';
export type { Detector, Evidence, Facts, Figure, Thresholds, Verdict, Words } from './detector.ts';
export {
  type FleetPlace,
  type FleetSilence,
  type FleetTransition,
  type SilenceChange,
  startFleetSilence,
} from './detectors/fleet-silence.ts';
export { type Engine, type Finding, startEngine, type Transition } from './engine.ts';
export type { DeviceState, Lags, Mended, SiteEvent, StormMessage, Tick } from './event.ts';
export { neutralTrend } from './models/service-impedance.ts';
export { type ClampFault, type ClampReport, wiringReport } from './models/wiring-report.ts';
export {
  DEAF_MS,
  type Release,
  type SavedSequence,
  type Sequence,
  savedSequenceSchema,
  startSequence,
} from './sequence.ts';
