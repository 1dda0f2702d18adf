export { type DemoFleet, type DemoHome, demoFleet } from './demo-fleet.ts';
export type { FaultName } from './faults/fault-name.ts';
export { FAULTS } from './faults/faults.ts';
export { simulateHome } from './home.ts';
export type { Credential, Credentials } from './publish/connections.ts';
export { type HistoryProgress, publishHistory, publishLive } from './publish/publisher.ts';
export type { HomeToPublish, RunningHome } from './publish/running-home.ts';
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
export { drawSite } from './score/draw-site.ts';
export { capAlertXml } from './storm-alert.ts';
