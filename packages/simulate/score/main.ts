// `npm run score`: how well the detectors do on invented homes. Table on stdout, progress on stderr.

import { writeFile } from 'node:fs/promises';
import { parseArgs } from 'node:util';
import { runAll } from './crew.ts';
import { KINDS } from './draw.ts';
import { describeMiss } from './misses.ts';
import { addUp, type JobResult, listJobs, PROFILES } from './score.ts';
import { printTable, summarize } from './table.ts';

const USAGE = `npm run score -- [options]
  --profile quick|full   6 runs a kind and 0.4 faultless site-years, or 100 and 20 (quick)
  --seed NAME            which homes are drawn (any)
  --kind KIND            only this kind; "faultless" for homes without a fault
  --runs N               fault runs a kind, in place of the profile's
  --homes N --days D     faultless homes and their days, in place of the profile's
  --run N                only the Nth run
  --processes N          side by side (2)
  --misses               what was missed or raised wrongly, with the command that repeats it
  --json FILE            all of it as JSON
`;

const { values } = parseArgs({
  options: {
    profile: { type: 'string', default: 'quick' },
    seed: { type: 'string', default: 'any' },
    kind: { type: 'string' },
    runs: { type: 'string' },
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
if (values.help || base === undefined || (kinds.length === 0 && values.kind !== 'faultless')) {
  process.stderr.write(USAGE);
  process.exit(values.help ? 0 : 1);
}

const only = values.run === undefined ? undefined : Number(values.run);
const wantsFaultless = values.kind === undefined || values.kind === 'faultless';
const jobs = listJobs(values.seed, kinds, {
  faultRuns: only === undefined ? Number(values.runs ?? base.faultRuns) : only + 1,
  faultlessHomes: wantsFaultless
    ? only === undefined
      ? Number(values.homes ?? base.faultlessHomes)
      : only + 1
    : 0,
  faultlessDays: Number(values.days ?? base.faultlessDays),
}).filter(({ index }) => only === undefined || index === only);

const results: JobResult[] = [];
let toldPct = 0;
await runAll(jobs, Number(values.processes), (result) => {
  results.push(result);
  const pct = Math.floor((100 * results.length) / jobs.length);
  if (pct < toldPct + 5) return;
  toldPct = pct;
  process.stderr.write(`${pct} % (${results.length} of ${jobs.length} homes)\n`);
});

const { tallies, cost } = addUp(results);
const summary = summarize(tallies, cost);
if (values.misses) for (const result of results) process.stdout.write(describeMiss(result));
const asked = values.kind === undefined || values.kind === 'faultless';
const rows = summary.rows.filter(
  ({ kind, runs, precision, falseIncidents }) =>
    asked || kind === values.kind || runs > 0 || precision !== null || falseIncidents > 0,
);
process.stdout.write(printTable({ ...summary, rows }));
if (values.json !== undefined) {
  await writeFile(
    values.json,
    `${JSON.stringify({ seed: values.seed, profile: values.profile, ...summary, results }, null, 1)}\n`,
  );
}
