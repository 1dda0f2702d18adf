import { createMetrics, type Metrics } from '@afterwatt/runtime';
import { AggregatorRegistry, Gauge, Histogram, type OpenMetricsContentType, Registry } from 'prom-client';
import { z } from 'zod';

export interface ApiMetrics {
  readonly registry: Metrics;
  /** Labels: method, route (its pattern), status. */
  readonly requests: Histogram<'method' | 'route' | 'status'>;
  readonly streams: Gauge;
  readonly pulseAge: Gauge;
  readonly rollUpLag: Gauge;
  readonly shardsHeld: Gauge;
}

export function apiMetrics(): ApiMetrics {
  const registry = createMetrics('api');
  const registers = [registry];
  return {
    registry,
    requests: new Histogram({
      name: 'http_request_duration_seconds',
      help: 'Time to answer a request.',
      labelNames: ['method', 'route', 'status'],
      buckets: [0.005, 0.02, 0.1, 0.5, 2, 10],
      registers,
    }),
    streams: new Gauge({ name: 'afterwatt_api_streams', help: 'Open streams of incidents.', registers }),
    pulseAge: new Gauge({
      name: 'afterwatt_ingest_pulse_age_seconds',
      help: 'Time since an ingest last said that it takes readings.',
      // Every API process reads the same.
      aggregator: 'max',
      registers,
    }),
    rollUpLag: new Gauge({
      name: 'afterwatt_roll_up_lag_seconds',
      help: 'Time since no committed reading waited to be rolled up; a few seconds when it keeps up.',
      aggregator: 'max',
      registers,
    }),
    shardsHeld: new Gauge({
      name: 'afterwatt_rules_shards_held',
      help: 'Shards of sites that a rules worker watches, of 64.',
      aggregator: 'max',
      registers,
    }),
  };
}

const metricsJson = z.array(z.looseObject({ name: z.string(), type: z.string() }));

/** OpenMetrics text of this process and of all the others that are up. @param others prom-client's JSON of each */
export async function metricsText(own: Metrics, others: readonly unknown[]): Promise<string> {
  const all = [await own.getMetricsAsJSON(), ...others].flatMap((metrics) => {
    const parsed = metricsJson.safeParse(metrics);
    return parsed.success ? [parsed.data.map(asOpenMetrics)] : [];
  });
  const merged = AggregatorRegistry.aggregate<OpenMetricsContentType>(all);
  merged.setContentType(Registry.OPENMETRICS_CONTENT_TYPE);
  return merged.metrics();
}

/** A counter's family is named without the _total of its samples; prom-client adds that to merged ones unasked. */
function asOpenMetrics<T extends { name: string; type: string }>(metric: T): T {
  return metric.type === 'counter' ? { ...metric, name: metric.name.replace(/_total$/, '') } : metric;
}
