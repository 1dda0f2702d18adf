// How far a score has come, in 5 % steps, with the time it took and what may be left.

const STEP_PCT = 5;

export interface Whole {
  readonly homes: number;
  /** What all of them take together, in any unit: homes of a year and of a day are not alike. */
  readonly work: number;
}

/**
 * @param nowMs a clock
 * @param write takes one line
 * @returns to be called for each home that is done, with its part of the work
 */
export function startProgress(
  { homes, work }: Whole,
  nowMs: () => number,
  write: (line: string) => void,
): (workOfHome: number) => void {
  const startedMs = nowMs();
  let homesDone = 0;
  let workDone = 0;
  let toldPct = 0;
  return (workOfHome) => {
    homesDone += 1;
    workDone += workOfHome;
    const pct = Math.floor((100 * workDone) / work);
    if (pct < toldPct + STEP_PCT) return;
    toldPct = pct;
    const elapsedMs = nowMs() - startedMs;
    const leftMs = (elapsedMs / workDone) * (work - workDone);
    write(
      `${pct} % (${homesDone} of ${homes} homes), ${minutes(elapsedMs)} gone, about ${minutes(leftMs)} left`,
    );
  };
}

function minutes(ms: number): string {
  const seconds = Math.round(ms / 1000);
  return `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, '0')}`;
}
