import { createMetrics, type Metrics } from '@afterwatt/runtime';
import { Counter, Gauge, Histogram } from 'prom-client';

export interface RulesMetrics {
  readonly registry: Metrics;
  readonly readings: Counter;
  readonly transitions: Counter;
  readonly lag: Gauge;
  /** Every value that `lag` has had. */
  readonly lags: Histogram;
}

export function rulesMetrics(): RulesMetrics {
  const registry = createMetrics('rules');
  const registers = [registry];
  return {
    registry,
    readings: new Counter({ name: 'afterwatt_rules_readings_total', help: 'Readings judged.', registers }),
    transitions: new Counter({
      name: 'afterwatt_rules_transitions_total',
      help: 'Incidents raised, updated or cleared.',
      registers,
    }),
    lag: new Gauge({
      name: 'afterwatt_rules_lag_seconds',
      help: 'Time from the commit of the newest judged pulse of the ingest to the commit of what was found.',
      aggregator: 'max',
      registers,
    }),
    lags: new Histogram({
      name: 'afterwatt_rules_judged_seconds',
      help: 'Time from the commit of a pulse of the ingest to the commit of what was found up to it.',
      buckets: [0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30, 60],
      registers,
    }),
  };
}
