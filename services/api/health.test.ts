// What the operator and the supervisors ask.

import { createLogger } from '@afterwatt/runtime';
import { markWorkerSeen } from '@afterwatt/store';
import { sql } from 'kysely';
import { Counter, Registry } from 'prom-client';
import { beforeEach, describe, expect, it } from 'vitest';
import { readConfig } from './config.ts';
import { start } from './start.ts';
import { clientOf, operatorOf, startTestApi } from './test-support.ts';

const api = await startTestApi();
const anyone = clientOf(api);
beforeEach(() => api.database.keepOnFailure());

const missing = async (): Promise<string[]> => (await anyone.get('/readyz')).body.missing;

describe('readiness', () => {
  it('waits for an ingest that is up and for rules that watch every shard', async () => {
    const { status, body } = await anyone.get('/readyz');
    expect([status, body.code]).toEqual([503, 'not-ready']);
    expect(body.missing).toEqual([
      'ingest: it has never said that it takes readings',
      'rules: 64 of 64 shards are watched by nobody',
    ]);
    await sql`insert into pulse (at, worker) values (now() - interval '34 seconds', 'ingest-1')`.execute(
      api.owner,
    );
    await sql`update shard set holder = 'rules-1', lease_until = now() + interval '1 minute' where no < 63`.execute(
      api.owner,
    );
    await expect
      .poll(missing, { timeout: 5_000, interval: 200 })
      .toEqual([
        expect.stringMatching(/^ingest: it last said that it takes readings 3\d s ago$/),
        'rules: 1 of 64 shards are watched by nobody',
      ]);
    await sql`insert into pulse (at, worker) values (now(), 'ingest-1')`.execute(api.owner);
    await sql`update shard set holder = 'rules-1', lease_until = now() + interval '1 minute'`.execute(
      api.owner,
    );
    await expect
      .poll(async () => (await anyone.get('/readyz')).status, { timeout: 5_000, interval: 200 })
      .toBe(200);
  });

  it('needs the schema that this program knows', async () => {
    await sql`insert into kysely_migration (name, timestamp) values ('9999_from_the_future', '')`.execute(
      api.owner,
    );
    await expect
      .poll(missing, { timeout: 5_000, interval: 200 })
      .toEqual([expect.stringContaining('newer than this program')]);
    const config = readConfig({ DATABASE_URL: api.database.url, HTTP_PORT: '0' });
    await expect(start(config, createLogger('api', 'fatal'))).rejects.toThrow('newer than this program');
    await sql`delete from kysely_migration where name = '9999_from_the_future'`.execute(api.owner);
  });
});

describe('metrics', () => {
  it('are OpenMetrics of this process and of the others that are up, and end as the standard says', async () => {
    const registry = new Registry();
    registry.setDefaultLabels({ service: 'rules' });
    new Counter({
      name: 'afterwatt_rules_readings_total',
      help: 'Readings judged.',
      registers: [registry],
    }).inc(7);
    await markWorkerSeen(api.owner, 'rules-1', 'rules', await registry.getMetricsAsJSON());
    await operatorOf(api).get('/v1/sites');
    const { headers, text } = await anyone.get('/metrics');
    expect(headers.get('content-type')).toBe('application/openmetrics-text; version=1.0.0; charset=utf-8');
    expect(text.endsWith('# EOF\n')).toBe(true);
    expect(text.match(/# EOF/g)).toHaveLength(1);
    // OpenMetrics 1.0: a counter's samples end in _total, its metadata do not.
    expect(text).toContain('# TYPE afterwatt_rules_readings counter');
    expect(text).toContain('afterwatt_rules_readings_total{service="rules"} 7');
    expect(text).toMatch(/http_request_duration_seconds_count\{.*route="\/v1\/sites".*\} 1/);
    expect(text).toMatch(/afterwatt_rules_shards_held\{service="api"\} 64/);
    // No family is described twice (section "MetricFamily": names are unique).
    const families = text.split('\n').filter((line) => line.startsWith('# TYPE'));
    expect(new Set(families).size).toBe(families.length);
  });
});

describe('a start that cannot be', () => {
  it.each([
    [
      'a port that is taken',
      () => ({ HTTP_PORT: new URL(api.url).port }),
      /^HTTP_PORT: port \d+ is taken\.$/,
    ],
    [
      'a database that does not answer',
      () => ({ DATABASE_URL: 'postgres://nobody@127.0.0.1:1/afterwatt' }),
      /^DATABASE_URL: the database does not answer \(.*ECONNREFUSED.*\)\.$/,
    ],
  ])('says so in one line: %s', async (_why, environment, message) => {
    const config = readConfig({ DATABASE_URL: api.database.url, HTTP_PORT: '0', ...environment() });
    await expect(start(config, createLogger('api', 'fatal'))).rejects.toThrow(message);
  });

  it('names each variable that does not parse, and no secret', () => {
    const read = () =>
      readConfig({
        DATABASE_URL: 'mysql://u:hush@h/d',
        HTTP_PORT: '80800',
        AFTERWATT_OPERATOR_TOKEN: 'hush hush',
      });
    expect(read).toThrow(/DATABASE_URL \(set\).*postgres:.*|HTTP_PORT \("80800"\)/);
    expect(read).toThrow(/HTTP_PORT \("80800"\)/);
    expect(read).toThrow(/AFTERWATT_OPERATOR_TOKEN \(set\)/);
    expect(read).not.toThrow(/hush/);
  });
});
