// A process that runs one home after another, as its parent asks.

import { type Job, work } from './score.ts';

process.on('message', (job: Job) => process.send?.(work(job, cpuUs)));

function cpuUs(): number {
  const { user, system } = process.cpuUsage();
  return user + system;
}
