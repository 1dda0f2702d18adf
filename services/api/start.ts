import { randomUUID } from 'node:crypto';
import { hostname } from 'node:os';
import { type Logger, type Started, StartupError, startWith } from '@afterwatt/runtime';
import {
  connect,
  markWorkerSeen,
  removeWorker,
  requireSchema,
  upsertEnvironmentToken,
} from '@afterwatt/store';
import type { App } from './app.ts';
import { tokenSha256 } from './callers.ts';
import type { ApiConfig } from './config.ts';
import { hangIncidentBell } from './incident-bell.ts';
import { apiMetrics } from './metrics.ts';
import { buildServer } from './server.ts';
import { emptyShelf } from './shelf.ts';

/** Beside the requests one connection listens for incidents. */
const CONNECTIONS = 12;
const STATEMENT_TIMEOUT_MS = 15_000;
/** This process says that it is up, and tells its metrics, this often; see store/workers.ts. */
const SEEN_EVERY_MS = 3_000;
/** A token shorter than this can be guessed. */
const SHORT_TOKEN = 24;

export interface StartedApi extends Started {
  /** Where it listens, such as http://127.0.0.1:8080. */
  readonly url: string;
}

/**
 * Starts the API, which also serves the console.
 * @throws StartupError when the port is taken, or the database is away or of another schema
 */
export async function start(config: ApiConfig, log: Logger): Promise<StartedApi> {
  let url = '';
  const started = await startWith(log, async (releases) => {
    const name = `api-${hostname()}-${randomUUID().slice(0, 8)}`;
    const connection = connect({
      url: config.databaseUrl,
      role: 'afterwatt_api',
      name,
      maxConnections: CONNECTIONS,
      statementTimeoutMs: STATEMENT_TIMEOUT_MS,
    });
    releases.add('database', () => connection.close());
    await requireSchema(connection.db);
    if (config.operatorToken !== undefined) {
      if (config.operatorToken.length < SHORT_TOKEN) log.warn('AFTERWATT_OPERATOR_TOKEN is short');
      await upsertEnvironmentToken(connection.db, tokenSha256(config.operatorToken));
    }

    const metrics = apiMetrics();
    const seen = setInterval(() => {
      metrics.registry
        .getMetricsAsJSON()
        .then((json) => markWorkerSeen(connection.db, name, 'api', json))
        .catch((error: unknown) => log.warn({ err: error }, 'could not say that it is up'));
    }, SEEN_EVERY_MS);
    releases.add('presence', async () => {
      clearInterval(seen);
      await removeWorker(connection.db, name).catch(() => {});
    });
    releases.add('shelf', emptyShelf(connection.db, config.shelfCheckMs, log));
    const bell = hangIncidentBell(connection, log);
    releases.add('incident bell', () => bell.stop());

    const app = await buildServer({ connection, config, log, metrics }, bell);
    releases.add('HTTP server', () => app.close());
    url = await listen(app, config);
    log.info({ url }, 'api started');
  });
  return { ...started, url };
}

async function listen(app: App, { httpPort, httpHost }: ApiConfig): Promise<string> {
  try {
    await app.listen({ port: httpPort, host: httpHost });
  } catch (error) {
    const code = error instanceof Error && 'code' in error ? error.code : undefined;
    if (code === 'EADDRINUSE') throw new StartupError(`HTTP_PORT: port ${httpPort} is taken.`);
    if (code === 'EACCES')
      throw new StartupError(`HTTP_PORT: port ${httpPort} needs more rights than this has.`);
    if (code === 'ENOTFOUND' || code === 'EADDRNOTAVAIL') {
      throw new StartupError(`HTTP_HOST: this machine has no address ${httpHost}.`);
    }
    throw error;
  }
  const address = app.server.address();
  const port = typeof address === 'object' && address !== null ? address.port : httpPort;
  const host = httpHost === '0.0.0.0' || httpHost === '::' ? 'localhost' : httpHost;
  return `http://${host.includes(':') ? `[${host}]` : host}:${port}`;
}
