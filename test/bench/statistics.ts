// The machine is noisy, so everything is measured several times and reported as its median with its spread.

export function median(values: readonly number[]): number {
  return percentile(
    [...values].sort((a, b) => a - b),
    0.5,
  );
}

export function percentile(sorted: readonly number[], share: number): number {
  return sorted[Math.min(sorted.length - 1, Math.floor(sorted.length * share))] ?? Number.NaN;
}

/** From the least to the greatest. */
export function spread(values: readonly number[], digits = 2): string {
  return `${Math.min(...values).toFixed(digits)} to ${Math.max(...values).toFixed(digits)}`;
}

export function round(value: number, digits = 0): number {
  return Number(value.toFixed(digits));
}
