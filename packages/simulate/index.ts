export type { FaultName } from './faults/faults.ts';
export type {
  FaultSpec,
  HomeScenario,
  HomeSimulation,
  KindAndSubject,
  Packet,
  SiteAlert,
  Span,
  StateBody,
  Truth,
} from './scenario.ts';
