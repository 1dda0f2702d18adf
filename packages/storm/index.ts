export {
  type Announcement,
  alertsInForce,
  announcedPreparations,
  callsForCharging,
  openPreparations,
} from './alert-book.ts';
export { areaMeetsSite, type SiteLocation } from './area.ts';
export { parseCap } from './cap.ts';
export {
  type CapAlert,
  type CapArea,
  type CapInfo,
  type CapProblem,
  type CapReference,
  type CapResult,
  MESSAGE_TYPES,
  STATUSES,
} from './cap-types.ts';
export { type ChargeInput, type ChargePlan, planCharge, powerFraction } from './charge-plan.ts';
