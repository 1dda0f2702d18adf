import { randomUUID } from 'node:crypto';
import { hostname } from 'node:os';
import { isTransient, type Logger, type Started, startWith } from '@afterwatt/runtime';
import { connect, markWorkerSeen, removeWorker, requireSchema } from '@afterwatt/store';
import type { RulesConfig } from './config.ts';
import { watchFleet } from './fleet-watch.ts';
import { rulesMetrics } from './metrics.ts';
import { answerReplays } from './replay-worker.ts';
import { runWorker } from './worker.ts';

/** A worker says that it is up this often; see store/workers.ts for when it counts as gone. */
const SEEN_EVERY_MS = 3_000;

/**
 * Starts a rules worker. Several may run: they share the shards among them.
 * @throws StartupError when the database is away or of another schema
 */
export function start(config: RulesConfig, log: Logger): Promise<Started> {
  return startWith(log, async (releases, fail) => {
    const name = `rules-${hostname()}-${randomUUID().slice(0, 8)}`;
    const connection = connect({
      url: config.databaseUrl,
      role: 'afterwatt_rules',
      name,
      maxConnections: 6,
      statementTimeoutMs: 120_000,
    });
    releases.add('database', () => connection.close());
    await requireSchema(connection.db);

    const metrics = rulesMetrics();
    const sayUp = async () => {
      await markWorkerSeen(connection.db, name, 'rules', await metrics.registry.getMetricsAsJSON());
    };
    await sayUp();
    const seen = setInterval(() => {
      sayUp().catch((error: unknown) => {
        if (isTransient(error)) log.warn({ err: error }, 'could not say that it is up');
        else fail(error);
      });
    }, SEEN_EVERY_MS);
    releases.add('presence', async () => {
      clearInterval(seen);
      await removeWorker(connection.db, name).catch(() => {});
    });

    const ending = new AbortController();
    const running = runWorker({ connection, config, name, metrics, log, signal: ending.signal });
    running.catch(fail);
    const overFleet = watchFleet({ connection, log, signal: ending.signal });
    overFleet.catch(fail);
    const overReplays = answerReplays({ connection, log, signal: ending.signal });
    overReplays.catch(fail);
    releases.add('worker', async () => {
      ending.abort();
      await Promise.allSettled([running, overFleet, overReplays]);
    });
    log.info({ worker: name }, 'rules started');
  });
}
