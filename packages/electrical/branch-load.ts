/**
 * One branch circuit: a load that takes constant power, constant impedance or both, behind the conductors
 * that feed it, solved in closed form for a given voltage at the panel.
 */

export interface Impedance {
  resistanceOhm: number;
  reactanceOhm: number;
}

export interface BranchLoad {
  /** What the load is connected across; `L1-L2` is a 240 V load. */
  across: 'L1' | 'L2' | 'L1-L2';
  /** Loop impedance of the branch conductors, out and back; zero for a load at the panel. */
  conductors: Impedance;
  /** Power taken whatever the voltage is, W and var; negative feeds into the panel. */
  constantPowerW: number;
  constantPowerVar: number;
  /** Power that a fixed impedance takes at nominal voltage (twice `nominalV` for a 240 V load), W and var. */
  constantImpedanceW: number;
  constantImpedanceVar: number;
}

/** Admittance of a branch seen from the panel, Y = G + j B, siemens; filled in place. */
export interface BranchAdmittance {
  conductanceS: number;
  susceptanceS: number;
}

/**
 * What one branch looks like from the panel at a given voltage: its load as an admittance,
 * constant power S as conj(S) / |U|^2 at the voltage U where it settles behind its conductors.
 *
 * @param vSq squared panel voltage across the branch, V^2
 * @param nominalV nominal voltage across the branch, V, above 0
 * @param floorV voltage below which constant power becomes constant impedance, V; 0 for never
 * @param out filled with the result
 * @returns false when no voltage satisfies it: the load asks for more than its conductors can deliver
 */
export function solveBranch(
  branch: BranchLoad,
  vSq: number,
  nominalV: number,
  floorV: number,
  out: BranchAdmittance,
): boolean {
  let yRe = branch.constantImpedanceW / (nominalV * nominalV);
  let yIm = -branch.constantImpedanceVar / (nominalV * nominalV);
  if (branch.constantPowerW !== 0 || branch.constantPowerVar !== 0) {
    const uSq = Math.max(constantPowerVoltageSq(branch, vSq, yRe, yIm), floorV * floorV);
    if (uSq <= 0) return false;
    yRe += branch.constantPowerW / uSq;
    yIm -= branch.constantPowerVar / uSq;
  }
  const { resistanceOhm, reactanceOhm } = branch.conductors;
  if (resistanceOhm === 0 && reactanceOhm === 0) {
    out.conductanceS = yRe;
    out.susceptanceS = yIm;
    return true;
  }
  // Y / (1 + Z Y)
  const dRe = 1 + resistanceOhm * yRe - reactanceOhm * yIm;
  const dIm = resistanceOhm * yIm + reactanceOhm * yRe;
  const dSq = dRe * dRe + dIm * dIm;
  out.conductanceS = (yRe * dRe + yIm * dIm) / dSq;
  out.susceptanceS = (yIm * dRe - yRe * dIm) / dSq;
  return true;
}

/**
 * |U|^2 with the constant power at full value, V^2; 0 or less when there is none. With the constant impedance
 * folded into the conductors (Thevenin: V' = V / (1 + Z Y), Z' = Z / (1 + Z Y)), multiplying U = V' - Z' I by
 * conj(U) gives V' conj(U) = |U|^2 + c with c = Z' conj(S), whose squared magnitude is a quadratic in |U|^2.
 * Its higher root is where a load settles.
 */
function constantPowerVoltageSq(branch: BranchLoad, vSq: number, yRe: number, yIm: number): number {
  const zRe = branch.conductors.resistanceOhm;
  const zIm = branch.conductors.reactanceOhm;
  if (zRe === 0 && zIm === 0) return vSq;
  const dRe = 1 + zRe * yRe - zIm * yIm;
  const dIm = zRe * yIm + zIm * yRe;
  const dSq = dRe * dRe + dIm * dIm;
  // |U|^4 + (2 Re c - |V'|^2) |U|^2 + |c|^2 = 0
  const tRe = (zRe * dRe + zIm * dIm) / dSq;
  const tIm = (zIm * dRe - zRe * dIm) / dSq;
  const cRe = tRe * branch.constantPowerW + tIm * branch.constantPowerVar;
  const cIm = tIm * branch.constantPowerW - tRe * branch.constantPowerVar;
  const half = vSq / dSq / 2 - cRe;
  const discriminant = half * half - cRe * cRe - cIm * cIm;
  return discriminant < 0 ? 0 : half + Math.sqrt(discriminant);
}
