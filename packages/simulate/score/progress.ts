// How far a score has come, in 5 % steps, with the time it took and what may be left.

const STEP_PCT = 5;

/**
 * @param nowMs a clock
 * @param write takes one line
 * @returns to be called for each home that is done
 */
export function startProgress(homes: number, nowMs: () => number, write: (line: string) => void): () => void {
  const startedMs = nowMs();
  let done = 0;
  let toldPct = 0;
  return () => {
    done += 1;
    const pct = Math.floor((100 * done) / homes);
    if (pct < toldPct + STEP_PCT) return;
    toldPct = pct;
    const elapsedMs = nowMs() - startedMs;
    const leftMs = (elapsedMs / done) * (homes - done);
    write(`${pct} % (${done} of ${homes} homes), ${minutes(elapsedMs)} gone, about ${minutes(leftMs)} left`);
  };
}

function minutes(ms: number): string {
  const seconds = Math.round(ms / 1000);
  return `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, '0')}`;
}
