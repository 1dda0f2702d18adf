// What went wrong in one run, for whoever mends it.

import type { JobResult } from './score.ts';

/** Some lines about a run with a miss or a wrong incident, with the command that repeats it; empty for a good run. */
export function describeMiss({ job, fault, truths, wrong, raised }: JobResult): string {
  const missed = truths.filter(({ is }) => is === 'missed');
  if (missed.length === 0 && wrong.length === 0) return '';
  const what = job.is === 'fault' ? job.kind : 'faultless';
  const days = job.is === 'faultless' ? ` --days ${job.days}` : '';
  const lines = [`${job.seed}/${what}/${job.index}`];
  if (fault !== null) {
    const severity = fault.severity.toFixed(3);
    lines.push(
      `  fault     ${fault.name} of ${fault.subject}, severity ${severity}, made ${time(fault.onsetMs)}`,
    );
  }
  for (const outcome of missed) {
    const { kind, subject, shownMs } = outcome.truth;
    const shown = shownMs === null ? 'never' : time(shownMs);
    lines.push(`  missed    ${kind} of ${subject}, which showed ${shown}`);
  }
  for (const { kind, subject, heardMs, confidence, apart } of wrong) {
    const late = apart ? ', among late readings' : '';
    lines.push(
      `  wrong     ${kind} of ${subject}, ${time(heardMs)}, confidence ${confidence.toFixed(3)}${late}`,
    );
  }
  for (const { kind, subject, heardMs } of raised)
    lines.push(`  raised    ${kind} of ${subject}, ${time(heardMs)}`);
  lines.push(
    `  again     npm run score -- --seed ${job.seed} --kind ${what} --run ${job.index}${days} --misses`,
  );
  return `${lines.join('\n')}\n`;
}

function time(atMs: number): string {
  return new Date(atMs).toISOString().slice(0, 19);
}
