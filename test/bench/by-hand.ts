// What a person would do by hand: mosquitto_sub through jq, or through a small script, into psql's \copy. Nothing is
// checked, nothing is told twice from once, and the broker has its acknowledgement before anything is stored.

import { spawn, spawnSync } from 'node:child_process';
import { once } from 'node:events';
import { writeFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { setTimeout } from 'node:timers/promises';
import type { Mosquitto } from '../support/mosquitto.ts';
import type { OwnPostgres } from '../support/own-postgres.ts';

export const hasTools = ['jq', 'psql', 'mosquitto_sub'].every(
  (tool) => spawnSync('sh', ['-c', `command -v ${tool}`]).status === 0,
);

const COLUMNS = [
  'l1.v',
  'l2.v',
  'l1.i',
  'l2.i',
  'l1.p',
  'l2.p',
  'f',
  'inlet1.i',
  'inlet1.p',
  'import',
  'export',
  'rssi',
  'seq',
];

/** A pack in, one line of CSV for each time out. */
const JQ = `.topic as $topic | .payload | .[0].bt as $bt
  | reduce .[] as $x ({}; .[$x.t // 0 | tostring][$x.n] = $x.v) | to_entries[]
  | [$topic, ((.key | tonumber) + $bt | todate), ${COLUMNS.map((name) => `.value["${name}"]`).join(', ')}] | @csv`;

const SCRIPT = `
const columns = ${JSON.stringify(COLUMNS)};
let rest = '';
process.stdin.setEncoding('utf8').on('data', (chunk) => {
  const lines = (rest + chunk).split('\\n');
  rest = lines.pop();
  let out = '';
  for (const line of lines) {
    const { topic, payload } = JSON.parse(line);
    const rows = new Map();
    for (const { n, v, t = 0 } of payload) {
      let row = rows.get(t);
      if (row === undefined) rows.set(t, (row = {}));
      row[n] = v;
    }
    for (const [t, row] of rows) {
      out += topic + ',' + new Date((payload[0].bt + t) * 1000).toISOString();
      for (const column of columns) out += ',' + (row[column] ?? '');
      out += '\\n';
    }
  }
  process.stdout.write(out);
});`;

export type Tool = 'jq' | 'script';

export interface Pipe {
  /** Settles once nearly so many rows have come through: its last ones wait in the programs' buffers for more. */
  untilCopied(rows: number): Promise<void>;
  /** Settles once all packs are stored. */
  readonly stored: Promise<void>;
}

const NEARLY = 0.9;
const POLL_MS = 50;

/**
 * Starts the pipe and waits until it listens.
 * @param packs it ends after so many
 */
export async function startByHand(
  tool: Tool,
  { owner, url }: OwnPostgres,
  broker: Mosquitto,
  packs: number,
): Promise<Pipe> {
  const table = `by_hand_${tool}`;
  const columns = COLUMNS.map((_, index) => `c${index} real`).join(', ');
  await owner.pool.query(`drop table if exists ${table}`);
  await owner.pool.query(`create table ${table} (topic text, at timestamptz, ${columns})`);
  const script = join(tmpdir(), 'afterwatt-bench-by-hand.mjs');
  await writeFile(script, SCRIPT);
  const convert = tool === 'jq' ? `jq -r '${JQ}'` : `${process.execPath} ${script}`;
  const subscribe = `mosquitto_sub -V 5 -h 127.0.0.1 -p ${broker.port} -u ingest -P ingest-secret -q 1 \
    -t 'afterwatt/v1/+/+/readings' -C ${packs} -F '{"topic":"%t","payload":%p}'`;
  const child = spawn(
    'sh',
    ['-c', `${subscribe} | ${convert} | psql -q '${url}' -c '\\copy ${table} from pstdin csv'`],
    { stdio: ['ignore', 'inherit', 'inherit'] },
  );
  const stored = once(child, 'exit').then(([code]) => {
    if (code !== 0) throw new Error(`the pipe through ${tool} ended with ${code}`);
  });
  stored.catch(() => {});
  // mosquitto_sub says nothing when it is subscribed; a second is plenty.
  await setTimeout(1_000);
  return {
    stored,
    async untilCopied(rows) {
      const copied = async () => {
        const found = await owner.pool.query<{ n: number }>(
          'select tuples_processed as n from pg_stat_progress_copy where relid = $1::regclass',
          [table],
        );
        return found.rows[0]?.n ?? 0;
      };
      while ((await copied()) < rows * NEARLY) await setTimeout(POLL_MS);
    },
  };
}
