// npm run bench: every row, or those that are named (npm run bench -- a c). Prints tables and writes
// test/bench/results.json, where rows that were not run keep what an earlier run found. BENCH_ROWS, BENCH_REPEATS and
// BENCH_MILLIONS make it shorter or longer.

import { spawnSync } from 'node:child_process';
import { readFile, writeFile } from 'node:fs/promises';
import { availableParallelism, cpus } from 'node:os';
import { join } from 'node:path';
import { ROWS_OF_BENCH } from './rows.ts';

const FILE = join(import.meta.dirname, 'results.json');
const results: Record<string, unknown> = await readFile(FILE, 'utf8').then(JSON.parse, () => ({}));
const versionOf = (tool: string, flag: string) =>
  spawnSync(tool, [flag], { encoding: 'utf8' }).stdout?.split('\n')[0]?.trim() ?? '';
const machine = {
  cores: availableParallelism(),
  processor: cpus()[0]?.model,
  node: process.version,
  mosquitto: versionOf('/usr/sbin/mosquitto', '-h'),
};

const asked = process.argv.slice(2);
const unknown = asked.filter((name) => !(name in ROWS_OF_BENCH));
if (unknown.length > 0) {
  console.error(`There is no row ${unknown.join(', ')}: ${Object.keys(ROWS_OF_BENCH).join(', ')}.`);
  process.exit(1);
}
for (const [name, row] of Object.entries(ROWS_OF_BENCH)) {
  if (asked.length > 0 && !asked.includes(name)) continue;
  console.log(`\n(${name}) ${row.title}`);
  const startedMs = performance.now();
  const lines = await row.run();
  console.table(lines);
  const tookSeconds = Math.round((performance.now() - startedMs) / 1000);
  results[name] = { title: row.title, at: new Date().toISOString(), tookSeconds, machine, lines };
  await writeFile(FILE, `${JSON.stringify(results, undefined, 2)}\n`);
}
console.log(`\nWritten to ${FILE}.`);
