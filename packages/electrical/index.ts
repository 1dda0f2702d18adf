export type { BranchLoad, Impedance } from './branch-load.ts';
export { advanceBreakerHeat, type BreakerHeat, latestTripS, MUST_TRIP_MULTIPLE } from './breaker-heat.ts';
export {
  type Awg,
  copperOhmPerKft,
  excessHeatW,
  isTabulatedAwg,
  loopResistanceOhm,
  type Stranding,
} from './conductor.ts';
export { CONTINUOUS_LOAD_S, continuousLimitA, continuousLimitW } from './continuous-load.ts';
export {
  type Clamp,
  CT_ARRANGEMENTS,
  type CtArrangement,
  type CtArrangementName,
  clampPowerW,
  clampSign,
} from './ct-arrangement.ts';
export {
  impedanceFromSlopes,
  inPhaseCurrentA,
  type Leg,
  type LegVoltages,
  legUnbalancePct,
  legVoltages,
  openNeutralVoltages,
  type ServiceResistance,
  type SplitPhaseImpedance,
  voltageUnbalancePct,
} from './split-phase.ts';
export {
  type BranchPoint,
  createSolution,
  type OperatingPoint,
  type SolveOutcome,
  type SplitPhaseNetwork,
  type SplitPhaseSolution,
  solveSplitPhase,
} from './split-phase-solver.ts';
export {
  addRms,
  aggregatedRmsV,
  type RmsAggregate,
  type ServiceVoltageLimits,
  serviceVoltageLimits,
} from './voltage-limits.ts';
