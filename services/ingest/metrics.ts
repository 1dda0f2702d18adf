import { createMetrics, type Metrics } from '@afterwatt/runtime';
import { Counter, Gauge, Histogram } from 'prom-client';

export interface IngestMetrics {
  readonly registry: Metrics;
  readonly readings: Counter;
  readonly inserted: Counter;
  readonly refused: Counter<'reason'>;
  readonly delay: Histogram;
  readonly held: Gauge;
  readonly dropped: Counter;
  readonly rolledReadings: Counter;
  readonly rolledUp: Counter<'bin'>;
  readonly connections: Counter<'event'>;
}

export function ingestMetrics(): IngestMetrics {
  const registry = createMetrics('ingest');
  const registers = [registry];
  return {
    registry,
    readings: new Counter({
      name: 'afterwatt_ingest_readings_total',
      help: 'Readings accepted, those included that were stored before.',
      registers,
    }),
    inserted: new Counter({
      name: 'afterwatt_ingest_inserted_total',
      help: 'Readings newly stored.',
      registers,
    }),
    refused: new Counter({
      name: 'afterwatt_ingest_refused_total',
      help: 'Records and messages that went to quarantine, by reason.',
      labelNames: ['reason'],
      registers,
    }),
    delay: new Histogram({
      name: 'afterwatt_ingest_delay_seconds',
      help: 'From the arrival of the oldest message of a batch to its commit.',
      buckets: [0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10],
      registers,
    }),
    held: new Gauge({ name: 'afterwatt_ingest_held_bytes', help: 'Payload not committed yet.', registers }),
    dropped: new Counter({
      name: 'afterwatt_ingest_quarantine_dropped_total',
      help: 'Oldest rows dropped from a full quarantine.',
      registers,
    }),
    rolledReadings: new Counter({
      name: 'afterwatt_ingest_rolled_readings_total',
      help: 'Committed readings noted for the roll-ups.',
      registers,
    }),
    rolledUp: new Counter({
      name: 'afterwatt_ingest_roll_ups_total',
      help: 'Stretches of time rolled up, those again that late readings touched, by their length.',
      labelNames: ['bin'],
      registers,
    }),
    connections: new Counter({
      name: 'afterwatt_ingest_connection_events_total',
      help: 'Connections made, refused, slowed down for sending too fast; publishes not allowed; protocol errors.',
      labelNames: ['event'],
      registers,
    }),
  };
}
