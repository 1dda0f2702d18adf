/** A token bucket: so many bytes a second in the long run, and a burst on top. */
export class ByteRate {
  readonly #bytesPerMs: number;
  readonly #burstBytes: number;
  #left: number;
  #atMs = 0;

  constructor({ bytesPerSecond, burstBytes }: { bytesPerSecond: number; burstBytes: number }) {
    this.#bytesPerMs = bytesPerSecond / 1000;
    this.#burstBytes = burstBytes;
    this.#left = burstBytes;
  }

  /** True when nothing is left of what was spent: a new one would be the same. */
  isRested(nowMs: number): boolean {
    this.spend(0, nowMs);
    return this.#left === this.#burstBytes;
  }

  /** @returns how many milliseconds to wait before more is read; 0 = none */
  spend(bytes: number, nowMs: number): number {
    const refill = Math.max(0, nowMs - this.#atMs) * this.#bytesPerMs;
    this.#atMs = nowMs;
    this.#left = Math.min(this.#burstBytes, this.#left + refill) - bytes;
    return this.#left >= 0 ? 0 : Math.ceil(-this.#left / this.#bytesPerMs);
  }
}
