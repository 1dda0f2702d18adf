// Processes that run homes side by side.

import { fork } from 'node:child_process';
import type { Job, JobResult } from './score.ts';

/**
 * Runs all jobs in `size` processes of this program, until `signal` says that it is enough.
 * @throws Error when one of them ends early
 */
export async function runAll(
  jobs: readonly Job[],
  size: number,
  onResult: (result: JobResult) => void,
  signal: AbortSignal,
): Promise<void> {
  let next = 0;
  const worker = () =>
    new Promise<void>((resolve, reject) => {
      const member = fork(new URL('./crew-member.ts', import.meta.url), { serialization: 'advanced' });
      signal.addEventListener('abort', () => member.kill());
      const giveNext = () => {
        const job = jobs[next];
        next += 1;
        if (job === undefined) member.disconnect();
        else member.send(job);
      };
      member.on('message', (result: JobResult) => {
        onResult(result);
        giveNext();
      });
      member.on('exit', (code) => {
        if (code === 0 || signal.aborted) resolve();
        else reject(new Error(`a run ended with ${code}`));
      });
      giveNext();
    });
  await Promise.all(Array.from({ length: Math.min(size, jobs.length) }, worker));
}
