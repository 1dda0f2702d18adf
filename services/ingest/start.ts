import { isTransient, type Logger, type Started, startWith } from '@afterwatt/runtime';
import { connect, markWorkerSeen, removeWorker, requireSchema } from '@afterwatt/store';
import { startBatcher } from './batcher.ts';
import type { IngestConfig } from './config.ts';
import type { Source } from './message.ts';
import { ingestMetrics } from './metrics.ts';
import { keepQuarantine } from './quarantine-keeper.ts';
import { createRegistry } from './registry.ts';
import { keepRolledUp } from './roll-ups.ts';
import { startBrokerSource } from './source-broker.ts';
import { startEndpoint } from './source-endpoint.ts';
import { scheduleUpkeep } from './upkeep.ts';
import { createBatchWriter } from './write-batch.ts';

const SEEN_EVERY_MS = 3_000;

export interface StartedIngest extends Started {
  /** Where the endpoint listens; undefined with a broker. */
  readonly mqttPort: number | undefined;
}

/** @throws StartupError when the port is taken or the database is away or of another schema */
export async function start(config: IngestConfig, log: Logger): Promise<StartedIngest> {
  let mqttPort: number | undefined;
  const started = await startWith(log, async (releases, fail) => {
    const connection = connect({
      url: config.databaseUrl,
      role: 'afterwatt_ingest',
      name: config.worker,
      maxConnections: 6,
      statementTimeoutMs: 60_000,
    });
    releases.add('database', () => connection.close());
    await requireSchema(connection.db);
    const metrics = ingestMetrics();
    const registry = createRegistry(connection.db);
    await registry.refresh(0);
    const refreshing = setInterval(() => {
      registry.refresh(Date.now() - 1).catch((error: unknown) => {
        if (!isTransient(error)) fail(error);
      });
      markWorkerSeenQuietly();
    }, SEEN_EVERY_MS);
    const markWorkerSeenQuietly = () => {
      metrics.registry
        .getMetricsAsJSON()
        .then((json) => markWorkerSeen(connection.db, config.worker, 'ingest', json))
        .catch((error: unknown) => {
          if (!isTransient(error)) fail(error);
        });
    };
    markWorkerSeenQuietly();
    releases.add('presence', async () => {
      clearInterval(refreshing);
      await removeWorker(connection.db, config.worker).catch(() => {});
    });

    let source: Source | undefined;
    const batcher = startBatcher({
      config,
      registry,
      writer: createBatchWriter(connection.pool, config.worker),
      metrics,
      log,
      isConnected: () => source?.isConnected() ?? false,
      onRefused: (batch) => quarantine.noteRefused(batch),
      fail,
    });
    const quarantine = keepQuarantine({ pool: connection.pool, take: batcher.take, registry, metrics, log });
    releases.add('quarantine', () => quarantine.close());
    const { retention, packAfterDays } = config;
    releases.add('upkeep', scheduleUpkeep({ pool: connection.pool, retention, packAfterDays, log, fail }));
    const rollingUp = { pool: connection.pool, metrics, isBusy: batcher.isBehind, log, fail };
    releases.add('roll-ups', keepRolledUp(rollingUp));
    // Undone in reverse: take no more, write what was taken, send its acknowledgements, close.
    releases.add('connections', () => source?.close());
    releases.add('batches', () => batcher.drain());
    const { take, onRoom } = batcher;
    if (config.source.kind === 'broker') {
      source = await startBrokerSource({ ...config.source, worker: config.worker, take, onRoom, log });
    } else {
      const endpoint = await startEndpoint({
        ...config.source,
        db: connection.db,
        registry,
        take,
        onRoom,
        count: (event) => metrics.connections.inc({ event }),
        log,
      });
      mqttPort = endpoint.port;
      source = endpoint;
    }
    releases.add('taking', () => source?.stopTaking());
    log.info({ port: mqttPort, worker: config.worker }, 'ingest started');
  });
  return { ...started, mqttPort };
}
