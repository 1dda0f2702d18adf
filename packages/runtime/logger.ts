import { type Logger, pino } from 'pino';

export type { Logger };

/**
 * JSON lines on standard error. Object first, constant message; debug = per message, info = lifecycle,
 * warn = degraded and mending itself, error = a person should look. Secrets never reach a log.
 */
export function createLogger(service: string, level: string): Logger {
  const options = {
    name: service,
    level,
    redact: {
      paths: ['*.secret', '*.password', '*.token', 'authorization', 'headers.authorization'],
      censor: '***',
    },
  };
  return pino(options, pino.destination({ dest: 2, sync: true }));
}
