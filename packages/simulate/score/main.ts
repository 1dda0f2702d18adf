// `npm run score`: how well the detectors do on invented homes. Table on stdout, progress on stderr.

import { writeFile } from 'node:fs/promises';
import { parseArgs } from 'node:util';
import { runAll } from './crew.ts';
import { KINDS } from './draw.ts';
import { describeMiss } from './misses.ts';
import { startProgress } from './progress.ts';
import { addUp, expectedReadings, type JobResult, listJobs, PROFILES } from './score.ts';
import { printTable, summarize } from './table.ts';

const USAGE = `npm run score -- [options]
  --profile quick|full   5 runs a kind and a third of a faultless site-year, or 100 and 20 years (quick)
  --seed NAME            which homes are drawn (any)
  --kind KIND            only this kind; "faultless" for homes without a fault, "pair" for homes with two
  --runs N               fault runs a kind, in place of the profile's
  --mended N             runs a kind whose fault is mended
  --pairs N              homes with two faults
  --homes N --days D     faultless homes and their days, in place of the profile's
  --run N                only the Nth run
  --processes N          side by side (2)
  --misses               what was missed or raised wrongly, with the command that repeats it
  --json FILE            all of it as JSON

Stopped by SIGINT or SIGTERM it prints, and writes, what is done by then.
`;

const { values } = parseArgs({
  options: {
    profile: { type: 'string', default: 'quick' },
    seed: { type: 'string', default: 'any' },
    kind: { type: 'string' },
    runs: { type: 'string' },
    mended: { type: 'string' },
    pairs: { type: 'string' },
    homes: { type: 'string' },
    days: { type: 'string' },
    run: { type: 'string' },
    processes: { type: 'string', default: '2' },
    misses: { type: 'boolean', default: false },
    json: { type: 'string' },
    help: { type: 'boolean', default: false },
  },
});

const base = values.profile === 'quick' || values.profile === 'full' ? PROFILES[values.profile] : undefined;
const kinds = values.kind === undefined ? KINDS : KINDS.filter((kind) => kind === values.kind);
const alone = values.kind === 'faultless' || values.kind === 'pair' ? values.kind : undefined;
if (values.help || base === undefined || (kinds.length === 0 && alone === undefined)) {
  process.stderr.write(USAGE);
  process.exit(values.help ? 0 : 1);
}

const only = values.run === undefined ? undefined : Number(values.run);
const all = values.kind === undefined;
const ofKind = (asked: string | undefined, usual: number, wanted: boolean): number =>
  wanted ? (only === undefined ? Number(asked ?? usual) : only + 1) : 0;
const jobs = listJobs(values.seed, kinds, {
  faultRuns: ofKind(values.runs, base.faultRuns, alone === undefined),
  mendedRuns: ofKind(
    values.mended,
    base.mendedRuns,
    alone === undefined && (only === undefined || values.mended !== undefined),
  ),
  pairs: ofKind(values.pairs, base.pairs, all || alone === 'pair'),
  faultlessHomes: ofKind(values.homes, base.faultlessHomes, all || alone === 'faultless'),
  faultlessDays: Number(values.days ?? base.faultlessDays),
}).filter(({ index }) => only === undefined || index === only);

const results: JobResult[] = [];
const whole = { homes: jobs.length, work: jobs.reduce((sum, job) => sum + expectedReadings(job), 0) };
const done = startProgress(whole, Date.now, (line) => process.stderr.write(`${line}\n`));
const onResult = (result: JobResult) => {
  results.push(result);
  done(expectedReadings(result.job));
};
// Whoever has seen enough gets the table of what is done.
const enough = new AbortController();
for (const signal of ['SIGINT', 'SIGTERM'] as const) process.once(signal, () => enough.abort());
await runAll(jobs, Number(values.processes), onResult, enough.signal);
if (enough.signal.aborted) process.stderr.write(`stopped after ${results.length} of ${jobs.length} homes\n`);

const { tallies, pairs, cost } = addUp(results);
const summary = summarize(tallies, pairs, cost);
if (values.misses) for (const result of results) process.stdout.write(describeMiss(result));
const asked = all || alone === 'faultless';
const rows = summary.rows.filter(
  ({ kind, runs, precision, falseIncidents }) =>
    asked || kind === values.kind || runs > 0 || precision !== null || falseIncidents > 0,
);
process.stdout.write(printTable({ ...summary, rows }));
if (values.json !== undefined) {
  await writeFile(
    values.json,
    `${JSON.stringify({ command: `npm run score -- ${process.argv.slice(2).join(' ')}`, seed: values.seed, profile: values.profile, ...summary, results }, null, 1)}\n`,
  );
}
