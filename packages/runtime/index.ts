export { environmentFields, readEnvironment } from './environment.ts';
export { Releases, type Started, StartupError, startWith } from './lifecycle.ts';
export { createLogger, type Logger } from './logger.ts';
export { createMetrics, type Metrics } from './metrics.ts';
export { backoffMs, isTransient, pause } from './retry.ts';
export { runMain } from './run-main.ts';
