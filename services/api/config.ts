import { environmentFields, readEnvironment } from '@afterwatt/runtime';
import { z } from 'zod';

const schema = z.object({
  HTTP_PORT: environmentFields.port(8080),
  // Loopback, unless someone opens it on purpose: behind it stand people's homes.
  HTTP_HOST: z.string().default('127.0.0.1'),
  DATABASE_URL: environmentFields.postgresUrl,
  AFTERWATT_OPERATOR_TOKEN: z
    .string()
    // RFC 6750 section 2.1: what an Authorization header can carry.
    .regex(/^[\w.~+/-]+=*$/, 'must consist of letters, digits and - . _ ~ + / alone')
    .optional(),
  LOG_LEVEL: environmentFields.logLevel,
});

export interface ApiConfig {
  /** 0 picks a free one. */
  readonly httpPort: number;
  /** Address to listen on; 0.0.0.0 or :: for all. */
  readonly httpHost: string;
  readonly databaseUrl: string;
  /** Becomes a token of role operator; without it, those in the database are all there are. */
  readonly operatorToken: string | undefined;
  readonly logLevel: string;
  /** Of one token. */
  readonly requestsPerMinute: number;
  /** From one address. */
  readonly failedSignInsPerMinute: number;
  /** How often a stream says that it is alive, and looks whether its caller's token still holds. */
  readonly heartbeatMs: number;
  readonly shelfCheckMs: number;
}

/** @throws StartupError naming every variable that does not parse */
export function readConfig(environment: Readonly<Record<string, string | undefined>>): ApiConfig {
  const parsed = readEnvironment(schema, environment);
  return {
    httpPort: parsed.HTTP_PORT,
    httpHost: parsed.HTTP_HOST,
    databaseUrl: parsed.DATABASE_URL,
    operatorToken: parsed.AFTERWATT_OPERATOR_TOKEN,
    logLevel: parsed.LOG_LEVEL,
    requestsPerMinute: 6_000,
    failedSignInsPerMinute: 60,
    heartbeatMs: 15_000,
    shelfCheckMs: 15_000,
  };
}
