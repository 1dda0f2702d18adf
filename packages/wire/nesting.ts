/** Deeper than any extension field or setting needs; a pack itself has two levels. */
export const MAX_NESTING = 16;

/** Whether decoded JSON has more than `levels` levels of lists and objects. */
export function nestsTooDeep(value: unknown, levels: number): boolean {
  if (typeof value !== 'object' || value === null) return false;
  if (levels === 0) return true;
  for (const inner of Object.values(value)) {
    if (nestsTooDeep(inner, levels - 1)) return true;
  }
  return false;
}
