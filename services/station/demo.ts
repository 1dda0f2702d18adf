// The demo fleet, all of it invented: registered through the API and published through MQTT like any other. Its
// past is written first, then it goes on live. What it has told is remembered, so that the next start goes on
// from there, as devices do that kept their readings through a lost connection.

import { readFile, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { type Logger, pause, type Started, startWith } from '@afterwatt/runtime';
import { demoFleet, type HistoryProgress, publishHistory, publishLive } from '@afterwatt/simulate';
import { z } from 'zod';
import type { ApiClient } from './api-client.ts';

/** What was told within this time of a crash is told again, which changes nothing. */
const REMEMBER_EVERY_MS = 10_000;

export interface DemoConfig {
  readonly dataDir: string;
  readonly mqttUrl: string;
}

export interface DemoDeps {
  readonly api: ApiClient;
  readonly log: Logger;
  readonly report: (progress: DemoProgress) => void;
}

export const demoProgressSchema = z.union([
  z.object({ kind: z.literal('history'), share: z.number(), readings: z.number() }),
  z.object({ kind: z.literal('live') }),
]);

export type DemoProgress = z.infer<typeof demoProgressSchema>;

const memorySchema = z.object({
  firstStartMs: z.number(),
  credentials: z.object({ username: z.string(), secret: z.string() }),
  toldUntilMs: z.number(),
});
type Memory = z.infer<typeof memorySchema>;

export function startDemo(config: DemoConfig, { api, log, report }: DemoDeps): Promise<Started> {
  return startWith(log, async (releases, fail) => {
    const memory = (await recall(config.dataDir)) ?? (await firstStart(api));
    await remember(config.dataDir, memory);
    const stopping = new AbortController();
    const told = publish(config, memory, stopping.signal, report);
    told.catch(fail);
    releases.add('demo fleet', async () => {
      stopping.abort();
      await told.catch(() => {});
    });
  });
}

/** The site that the homeowner's sign-in of the demo may see: one whose reserve has drained. */
export const DEMO_HOME = 'orchard-hill-58';

async function firstStart(api: ApiClient): Promise<Memory> {
  const firstStartMs = Date.now();
  const fleet = demoFleet(firstStartMs);
  for (const home of fleet.homes) await api.registerSite(home.site);
  for (const alert of fleet.alerts) await api.postStormAlert(alert);
  const credentials = await api.makeGatewayCredentials('default');
  return { firstStartMs, credentials, toldUntilMs: fleet.fromMs };
}

async function publish(
  { dataDir, mqttUrl }: DemoConfig,
  memory: Memory,
  signal: AbortSignal,
  report: (progress: DemoProgress) => void,
): Promise<void> {
  const fleet = demoFleet(memory.firstStartMs);
  const options = { url: mqttUrl, credentials: { kind: 'gateway', ...memory.credentials } as const, signal };
  const onProgress = ({ share, readings }: HistoryProgress) => report({ kind: 'history', share, readings });
  const homes = await publishHistory({
    ...options,
    homes: fleet.homes,
    fromMs: fleet.fromMs,
    coarseUntilMs: fleet.coarseUntilMs,
    sendFromMs: memory.toldUntilMs,
    toMs: Date.now(),
    onProgress,
  });
  if (signal.aborted) return;
  report({ kind: 'live' });
  const remembering = rememberOften(dataDir, memory, signal);
  await publishLive({ ...options, homes });
  await remembering;
}

async function rememberOften(dataDir: string, memory: Memory, signal: AbortSignal): Promise<void> {
  while (!signal.aborted) {
    const toldUntilMs = Date.now() - REMEMBER_EVERY_MS;
    await remember(dataDir, { ...memory, toldUntilMs });
    await pause(REMEMBER_EVERY_MS, signal);
  }
}

function fileOf(dataDir: string): string {
  return join(dataDir, 'demo.json');
}

async function recall(dataDir: string): Promise<Memory | undefined> {
  const text = await readFile(fileOf(dataDir), 'utf8').catch(() => undefined);
  return text === undefined ? undefined : memorySchema.parse(JSON.parse(text));
}

async function remember(dataDir: string, memory: Memory): Promise<void> {
  await writeFile(fileOf(dataDir), `${JSON.stringify(memory)}\n`, { mode: 0o600 });
}
