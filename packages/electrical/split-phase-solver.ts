import { type BranchAdmittance, type BranchLoad, type Impedance, solveBranch } from './branch-load.ts';

/**
 * The exact operating point of a split-phase service with constant-impedance and constant-power loads on
 * either leg and across both, each behind its own branch conductors.
 *
 * With V1, V2 the panel's leg voltages in their own directions (phasors, source voltage as reference),
 * Y1, Y2, Y12 the admittances on L1, L2 and across both, Kirchhoff's laws give
 *   V1 + V2 = 2 E - Zs (Y1 V1 + Y2 V2 + 2 Y12 (V1 + V2))      240 V path; the neutral falls out
 *   V1 - V2 = -(Zs + 2 Zn) (Y1 V1 - Y2 V2)                    neutral path; source and 240 V loads fall out
 * which is linear for given admittances. A constant-power load's admittance depends on voltage, so the two are
 * solved in turn until the voltages stand still (successive substitution). Other than Newton's method this
 * cannot run off to the low-voltage solution, which is unstable in a real house, when the neutral is open.
 */

export interface SplitPhaseNetwork {
  /** No-load rms voltage of one leg, V, above 0. */
  sourceV: number;
  /** Nominal voltage of one leg, V, to which `constantImpedanceW` refers. */
  nominalV: number;
  /** Transformer winding and service conductor of one leg. */
  service: Impedance;
  /** Neutral; a resistance of Infinity is an open neutral. */
  neutral: Impedance;
  /**
   * Share of nominal voltage below which a constant-power load acts as a constant impedance, 0..1; 0 keeps it
   * constant down to collapse. Power supplies cannot hold their power at any voltage, and load-flow programs
   * end the constant-power law between 0.7 and 0.95 (common practice).
   */
  constantPowerFloorPu: number;
  branches: readonly BranchLoad[];
}

/** Rms and power at one point; power is positive toward the load. */
export interface OperatingPoint {
  voltageV: number;
  currentA: number;
  powerW: number;
  reactiveVar: number;
}

export interface BranchPoint {
  /** At the panel end, as a meter's branch CT sees it. */
  panel: OperatingPoint;
  /** At the load itself, behind the branch conductors. */
  load: OperatingPoint;
}

/** Filled in place by `solveSplitPhase`, so that solving allocates nothing. */
export interface SplitPhaseSolution {
  l1: OperatingPoint;
  l2: OperatingPoint;
  /** Rms current in the neutral, A. */
  neutralA: number;
  /** In the order of `network.branches`. */
  branches: BranchPoint[];
  iterations: number;
  /** The leg voltages as phasors, as shares of the source voltage: where the next solving may go on from. */
  legsPu: { v1Re: number; v1Im: number; v2Re: number; v2Im: number };
}

export interface SolveOptions {
  /** Ends when the voltages change less than this from one iteration to the next, as a share of source voltage. */
  readonly tolerancePu: number;
  /**
   * Start from the shares of the source voltage that reached the panel in `solution`, which must be `solved`, in
   * place of all of it: one iteration where only the source has changed a little since, few where a load has.
   */
  readonly goesOn: boolean;
}

/**
 * - `solved`: the solution holds.
 * - `no-operating-point`: a load asks for more than its conductors can deliver (maximum power transfer), or a
 *   leg floats (open neutral, nothing connected).
 * - `not-converged`: none found within the iteration limit, or an input was not a number.
 */
export type SolveOutcome = 'solved' | 'no-operating-point' | 'not-converged';

/**
 * A healthy service needs about 8. With an open neutral and loads on the verge of instability convergence is
 * slow: of 300 000 random houses with a broken neutral, one in 1300 needed more than 200, none more than 2900.
 */
const MAX_ITERATIONS = 5000;
const EXACT: SolveOptions = { tolerancePu: 1e-11, goesOn: false };

/** Workspace for the one branch at hand: solving never pauses, so one is enough. */
const branchAdmittance: BranchAdmittance = { conductanceS: 0, susceptanceS: 0 };

/** An empty solution for a network with that many branches; reuse it from call to call. */
export function createSolution(branchCount: number): SplitPhaseSolution {
  const branches: BranchPoint[] = [];
  for (let i = 0; i < branchCount; i++) branches.push({ panel: zeroPoint(), load: zeroPoint() });
  const legsPu = { v1Re: 1, v1Im: 0, v2Re: 1, v2Im: 0 };
  return { l1: zeroPoint(), l2: zeroPoint(), neutralA: 0, branches, iterations: 0, legsPu };
}

/**
 * Solves the network and fills `solution`. Starts from the source voltage unless told otherwise, so the answer
 * depends on nothing but the network, and is the high-voltage one of the two that a constant-power load has.
 *
 * @param solution from `createSolution` with as many branches; its content is not valid unless `solved`
 */
export function solveSplitPhase(
  network: SplitPhaseNetwork,
  solution: SplitPhaseSolution,
  { tolerancePu, goesOn }: SolveOptions = EXACT,
): SolveOutcome {
  const { sourceV, service, neutral, branches } = network;
  const zsRe = service.resistanceOhm;
  const zsIm = service.reactanceOhm;
  // Neutral path as a (V1 - V2) + b (Y1 V1 - Y2 V2) = 0, which also holds for an open neutral.
  const open = neutral.resistanceOhm === Infinity;
  const a = open ? 0 : 1;
  const bRe = open ? 1 : zsRe + 2 * neutral.resistanceOhm;
  const bIm = open ? 0 : zsIm + 2 * neutral.reactanceOhm;

  const { legsPu } = solution;
  let v1Re = goesOn ? sourceV * legsPu.v1Re : sourceV;
  let v1Im = goesOn ? sourceV * legsPu.v1Im : 0;
  let v2Re = goesOn ? sourceV * legsPu.v2Re : sourceV;
  let v2Im = goesOn ? sourceV * legsPu.v2Im : 0;
  for (let iteration = 1; iteration <= MAX_ITERATIONS; iteration++) {
    let y1Re = 0;
    let y1Im = 0;
    let y2Re = 0;
    let y2Im = 0;
    let y12Re = 0;
    let y12Im = 0;
    for (const branch of branches) {
      if (!solveBranchAt(network, branch, v1Re, v1Im, v2Re, v2Im)) return 'no-operating-point';
      switch (branch.across) {
        case 'L1':
          y1Re += branchAdmittance.conductanceS;
          y1Im += branchAdmittance.susceptanceS;
          break;
        case 'L2':
          y2Re += branchAdmittance.conductanceS;
          y2Im += branchAdmittance.susceptanceS;
          break;
        case 'L1-L2':
          y12Re += branchAdmittance.conductanceS;
          y12Im += branchAdmittance.susceptanceS;
          break;
      }
    }

    // f1 V1 + f2 V2 = 2 E and g1 V1 = g2 V2, so V1 = 2 E g2 / (f1 g2 + f2 g1) and V2 likewise.
    const f1Re = 1 + zsRe * (y1Re + 2 * y12Re) - zsIm * (y1Im + 2 * y12Im);
    const f1Im = zsRe * (y1Im + 2 * y12Im) + zsIm * (y1Re + 2 * y12Re);
    const f2Re = 1 + zsRe * (y2Re + 2 * y12Re) - zsIm * (y2Im + 2 * y12Im);
    const f2Im = zsRe * (y2Im + 2 * y12Im) + zsIm * (y2Re + 2 * y12Re);
    const g1Re = a + bRe * y1Re - bIm * y1Im;
    const g1Im = bRe * y1Im + bIm * y1Re;
    const g2Re = a + bRe * y2Re - bIm * y2Im;
    const g2Im = bRe * y2Im + bIm * y2Re;
    const detRe = f1Re * g2Re - f1Im * g2Im + f2Re * g1Re - f2Im * g1Im;
    const detIm = f1Re * g2Im + f1Im * g2Re + f2Re * g1Im + f2Im * g1Re;
    const scale = (2 * sourceV) / (detRe * detRe + detIm * detIm);
    if (scale === Infinity) return 'no-operating-point';
    const next1Re = scale * (g2Re * detRe + g2Im * detIm);
    const next1Im = scale * (g2Im * detRe - g2Re * detIm);
    const next2Re = scale * (g1Re * detRe + g1Im * detIm);
    const next2Im = scale * (g1Im * detRe - g1Re * detIm);

    const change =
      Math.abs(next1Re - v1Re) +
      Math.abs(next1Im - v1Im) +
      Math.abs(next2Re - v2Re) +
      Math.abs(next2Im - v2Im);
    v1Re = next1Re;
    v1Im = next1Im;
    v2Re = next2Re;
    v2Im = next2Im;
    if (change <= tolerancePu * sourceV) {
      fillSolution(network, solution, v1Re, v1Im, v2Re, v2Im);
      solution.iterations = iteration;
      return 'solved';
    }
  }
  return 'not-converged';
}

/** Leaves the branch's admittance at these leg voltages in `branchAdmittance`. */
function solveBranchAt(
  network: SplitPhaseNetwork,
  branch: BranchLoad,
  v1Re: number,
  v1Im: number,
  v2Re: number,
  v2Im: number,
): boolean {
  const onL1 = branch.across !== 'L2';
  const onL2 = branch.across !== 'L1';
  const vRe = (onL1 ? v1Re : 0) + (onL2 ? v2Re : 0);
  const vIm = (onL1 ? v1Im : 0) + (onL2 ? v2Im : 0);
  const nominalV = onL1 && onL2 ? 2 * network.nominalV : network.nominalV;
  const floorV = network.constantPowerFloorPu * nominalV;
  return solveBranch(branch, vRe * vRe + vIm * vIm, nominalV, floorV, branchAdmittance);
}

/** Rms values and powers at the voltages found. */
function fillSolution(
  network: SplitPhaseNetwork,
  solution: SplitPhaseSolution,
  v1Re: number,
  v1Im: number,
  v2Re: number,
  v2Im: number,
): void {
  let j1Re = 0;
  let j1Im = 0;
  let j2Re = 0;
  let j2Im = 0;
  for (let index = 0; index < network.branches.length; index++) {
    const branch = network.branches[index];
    const point = solution.branches[index];
    if (branch === undefined || point === undefined) {
      throw new RangeError(`the solution holds ${solution.branches.length} branches, the network has more`);
    }
    solveBranchAt(network, branch, v1Re, v1Im, v2Re, v2Im);
    const { conductanceS, susceptanceS } = branchAdmittance;
    const onL1 = branch.across !== 'L2';
    const onL2 = branch.across !== 'L1';
    const vRe = (onL1 ? v1Re : 0) + (onL2 ? v2Re : 0);
    const vIm = (onL1 ? v1Im : 0) + (onL2 ? v2Im : 0);
    const iRe = conductanceS * vRe - susceptanceS * vIm;
    const iIm = conductanceS * vIm + susceptanceS * vRe;
    if (onL1) {
      j1Re += iRe;
      j1Im += iIm;
    }
    if (onL2) {
      j2Re += iRe;
      j2Im += iIm;
    }
    const { resistanceOhm, reactanceOhm } = branch.conductors;
    fillPoint(point.panel, vRe, vIm, iRe, iIm);
    if (resistanceOhm === 0 && reactanceOhm === 0) {
      copyPoint(point.panel, point.load);
      continue;
    }
    fillPoint(
      point.load,
      vRe - resistanceOhm * iRe + reactanceOhm * iIm,
      vIm - resistanceOhm * iIm - reactanceOhm * iRe,
      iRe,
      iIm,
    );
  }
  fillPoint(solution.l1, v1Re, v1Im, j1Re, j1Im);
  fillPoint(solution.l2, v2Re, v2Im, j2Re, j2Im);
  solution.neutralA = Math.sqrt((j1Re - j2Re) ** 2 + (j1Im - j2Im) ** 2);
  const { legsPu } = solution;
  legsPu.v1Re = v1Re / network.sourceV;
  legsPu.v1Im = v1Im / network.sourceV;
  legsPu.v2Re = v2Re / network.sourceV;
  legsPu.v2Im = v2Im / network.sourceV;
}

function fillPoint(point: OperatingPoint, vRe: number, vIm: number, iRe: number, iIm: number): void {
  point.voltageV = Math.sqrt(vRe * vRe + vIm * vIm);
  point.currentA = Math.sqrt(iRe * iRe + iIm * iIm);
  point.powerW = vRe * iRe + vIm * iIm;
  point.reactiveVar = vIm * iRe - vRe * iIm;
}

function copyPoint(from: OperatingPoint, to: OperatingPoint): void {
  to.voltageV = from.voltageV;
  to.currentA = from.currentA;
  to.powerW = from.powerW;
  to.reactiveVar = from.reactiveVar;
}

function zeroPoint(): OperatingPoint {
  return { voltageV: 0, currentA: 0, powerW: 0, reactiveVar: 0 };
}
