import { environmentFields, readEnvironment } from '@afterwatt/runtime';
import { z } from 'zod';

const schema = z.object({
  DATABASE_URL: environmentFields.postgresUrl,
  LOG_LEVEL: environmentFields.logLevel,
});

export interface RulesConfig {
  readonly databaseUrl: string;
  readonly logLevel: string;
  /** How often committed readings are looked for when there were none. */
  readonly pollMs: number;
  /** Readings taken into memory at a time. */
  readonly windowReadings: number;
  readonly leaseMs: number;
  /** Each site's detector state is saved about this often; a crash reads again what came since. */
  readonly checkpointMs: number;
}

/** @throws StartupError naming every variable that does not parse */
export function readConfig(environment: Readonly<Record<string, string | undefined>>): RulesConfig {
  const parsed = readEnvironment(schema, environment);
  return {
    databaseUrl: parsed.DATABASE_URL,
    logLevel: parsed.LOG_LEVEL,
    pollMs: 200,
    windowReadings: 10_000,
    leaseMs: 10_000,
    checkpointMs: 120_000,
  };
}
