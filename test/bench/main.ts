// npm run bench: every row, or those that are named (npm run bench -- a c). Prints tables and writes
// test/bench/results.json. BENCH_ROWS and BENCH_MILLIONS make it shorter or longer.

import { writeFile } from 'node:fs/promises';
import { availableParallelism } from 'node:os';
import { join } from 'node:path';
import { type Line, ROWS_OF_BENCH } from './rows.ts';

const asked = process.argv.slice(2);
const names = asked.length > 0 ? asked : Object.keys(ROWS_OF_BENCH);
const results: Record<string, { title: string; lines: Line[] }> = {};
for (const name of names) {
  const row = ROWS_OF_BENCH[name];
  if (row === undefined) {
    console.error(`There is no row ${name}: ${Object.keys(ROWS_OF_BENCH).join(', ')}.`);
    process.exit(1);
  }
  console.log(`\n(${name}) ${row.title}`);
  const lines = await row.run();
  console.table(lines);
  results[name] = { title: row.title, lines };
}
const about = { cpus: availableParallelism(), node: process.version, at: new Date().toISOString() };
const file = join(import.meta.dirname, 'results.json');
await writeFile(file, `${JSON.stringify({ about, results }, undefined, 2)}\n`);
console.log(`\nWritten to ${file}.`);
