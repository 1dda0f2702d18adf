import { collectDefaultMetrics, type OpenMetricsContentType, Registry } from 'prom-client';

export type Metrics = Registry<OpenMetricsContentType>;

/** A registry of a service's own, in OpenMetrics form, with the process's memory, CPU and event-loop figures. */
export function createMetrics(service: string): Metrics {
  const registry = new Registry<OpenMetricsContentType>();
  registry.setContentType(Registry.OPENMETRICS_CONTENT_TYPE);
  registry.setDefaultLabels({ service });
  collectDefaultMetrics({ register: registry });
  return registry;
}
