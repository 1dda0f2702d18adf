// What becomes of incidents once their fault is mended: they clear by themselves in time, and do not come back.

import type { KindAndSubject, Truth } from '../scenario.ts';

export interface Cleared extends KindAndSubject {
  /** True time of the commit that decided it. */
  readonly heardMs: number;
  readonly why: string;
}

export interface Ending {
  /** null = it stands. */
  readonly clearedMs: number | null;
}

/** What became of one incident after the mend. */
export type MendOutcome =
  | { readonly is: 'cleared'; readonly truth: Truth; readonly afterMs: number }
  | { readonly is: 'came back'; readonly truth: Truth }
  | { readonly is: 'stands'; readonly truth: Truth };

export interface ToFollow {
  readonly truths: readonly Truth[];
  readonly raised: readonly (KindAndSubject & { readonly heardMs: number })[];
  readonly cleared: readonly Cleared[];
}

/** What became of every truth that was told before its fault was mended at `endMs`. */
export function followMend(run: ToFollow, endMs: number): MendOutcome[] {
  return run.truths.flatMap((truth): MendOutcome[] => {
    const ending = endingOf(truth, run, endMs);
    if (ending === undefined) return [];
    const { clearedMs } = ending;
    if (clearedMs === null) return [{ is: 'stands', truth }];
    const cameBack = run.raised.some((again) => isSame(again, truth) && again.heardMs > clearedMs);
    return [
      cameBack
        ? { is: 'came back', truth }
        : { is: 'cleared', truth, afterMs: Math.max(0, clearedMs - endMs) },
    ];
  });
}

/** When the incident that was last raised before the mend was cleared; undefined when there was none. */
export function endingOf(truth: Truth, { raised, cleared }: ToFollow, endMs: number): Ending | undefined {
  const raise = raised.findLast(
    (one) => isSame(one, truth) && one.heardMs >= truth.onsetMs && one.heardMs <= endMs,
  );
  if (raise === undefined) return undefined;
  const clear = cleared.find((one) => isSame(one, truth) && one.heardMs >= raise.heardMs);
  return { clearedMs: clear?.heardMs ?? null };
}

function isSame(a: KindAndSubject, b: KindAndSubject): boolean {
  return a.kind === b.kind && a.subject === b.subject;
}
