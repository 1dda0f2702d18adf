export type { FaultName } from './faults/fault-name.ts';
export { FAULTS } from './faults/faults.ts';
export { simulateHome } from './home.ts';
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
