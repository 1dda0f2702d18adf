// What went wrong in one run, for whoever mends it.

import type { JobResult } from './score.ts';

/** Some lines about a run with a miss or a wrong incident, with the command that repeats it; empty for a good run. */
export function describeMiss({ job, faults, truths, mended, wrong, raised }: JobResult): string {
  const missed = truths.filter(({ is }) => is === 'missed');
  const standing = mended.filter(({ is }) => is !== 'cleared');
  if (missed.length + wrong.length + standing.length === 0) return '';
  const what = job.is === 'fault' || job.is === 'mended' ? job.kind : job.is;
  const days = job.is === 'faultless' ? ` --days ${job.days}` : '';
  const lines = [`${job.seed}/${what}/${job.index}`];
  for (const { name, subject, severity, onsetMs, endMs } of faults) {
    const mendedAt = endMs === null ? '' : `, mended ${time(endMs)}`;
    lines.push(
      `  fault     ${name} of ${subject}, severity ${severity.toFixed(3)}, made ${time(onsetMs)}${mendedAt}`,
    );
  }
  for (const outcome of missed) {
    const { kind, subject, shownMs } = outcome.truth;
    const shown = shownMs === null ? 'never' : time(shownMs);
    lines.push(`  missed    ${kind} of ${subject}, which showed ${shown}`);
  }
  for (const { is, truth } of standing) lines.push(`  mended    ${truth.kind} of ${truth.subject} ${is}`);
  for (const { kind, subject, heardMs, confidence, apart } of wrong) {
    const late = apart ? ', among late readings' : '';
    lines.push(
      `  wrong     ${kind} of ${subject}, ${time(heardMs)}, confidence ${confidence.toFixed(3)}${late}`,
    );
  }
  for (const { kind, subject, heardMs } of raised)
    lines.push(`  raised    ${kind} of ${subject}, ${time(heardMs)}`);
  lines.push(
    `  again     npm run score -- --seed ${job.seed} --kind ${what} --run ${job.index}${days}${job.is === 'mended' ? ' --mended 1' : ''} --misses`,
  );
  return `${lines.join('\n')}\n`;
}

function time(atMs: number): string {
  return new Date(atMs).toISOString().slice(0, 19);
}
