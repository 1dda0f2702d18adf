export {
  type Charge,
  chargeHours,
  portEnergyWh,
  roundTripEfficiency,
  runtimeH,
  socAfterChargingPct,
  type Taper,
  USUAL_TAPER,
  usableWh,
} from './battery.ts';
export type { BranchLoad, Impedance } from './branch-load.ts';
export { advanceBreakerHeat, type BreakerHeat, latestTripS, MUST_TRIP_MULTIPLE } from './breaker-heat.ts';
export {
  type Awg,
  COPPER_TABLE_8,
  type ConductorProperties,
  copperOhmPerKft,
  effectiveOhmPerKft,
  excessHeatW,
  isTabulatedAwg,
  loopResistanceOhm,
  RECOMMENDED_BRANCH_DROP_PCT,
  resistanceAtTemperature,
  type Stranding,
  voltageDropByCircularMilsV,
  voltageDropV,
} from './conductor.ts';
export { CONTINUOUS_LOAD_S, continuousLimitA, continuousLimitW, requiredRatingA } from './continuous-load.ts';
export {
  type Clamp,
  CT_ARRANGEMENTS,
  type CtArrangement,
  type CtArrangementName,
  clampPowerW,
  clampSign,
} from './ct-arrangement.ts';
export {
  advanceEnergy,
  compareWithRegister,
  type EnergyCount,
  emptyEnergyCount,
  LONGEST_BRIDGED_PERIODS,
  type RegisterComparison,
} from './energy.ts';
export { type IecCurveName, type IeeeCurveName, iecOperatingS, ieeeOperatingS } from './inverse-time.ts';
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
  type SolveOptions,
  type SolveOutcome,
  type SplitPhaseNetwork,
  type SplitPhaseSolution,
  solveSplitPhase,
} from './split-phase-solver.ts';
export { advanceCusum, type Cusum, type CusumSignal } from './statistics/cusum.ts';
export { type ControlLimits, ewma, ewmaLimits } from './statistics/ewma.ts';
export { HUBER_TUNING, type HuberFit, huberRegression } from './statistics/huber-regression.ts';
export {
  advanceP2Quantile,
  createP2Quantile,
  type P2Quantile,
  p2Quantile,
} from './statistics/p2-quantile.ts';
export { MAD_TO_SIGMA, median, medianAbsoluteDeviation, quantile } from './statistics/quantile.ts';
export {
  advanceRunningMedian,
  createRunningMedian,
  type RunningMedian,
  runningMad,
  runningMedian,
} from './statistics/running-median.ts';
export {
  advanceHypotheses,
  createHypothesisTest,
  decideHypothesis,
  decideSequentially,
  type HypothesisTest,
  likeliestHypothesis,
  posteriorOf,
  type SequentialDecision,
  type WaldThresholds,
  waldThresholds,
} from './statistics/sequential-test.ts';
export {
  advanceSlopeTracker,
  createSlopeTracker,
  type SlopeTracker,
  type SlopeTrackerSettings,
} from './statistics/slope-tracker.ts';
export { type Line, theilSen } from './statistics/theil-sen.ts';
export {
  addRms,
  aggregatedRmsV,
  type RmsAggregate,
  type ServiceVoltageLimits,
  type ServiceVoltageRange,
  serviceVoltageLimits,
  serviceVoltageRange,
} from './voltage-limits.ts';
