/** How soon someone should act, most urgent first. */
export const PRIORITIES = ['critical', 'high', 'medium', 'low'] as const;
export type Priority = (typeof PRIORITIES)[number];

type KindEntry = {
  /** What the incident's subject names. */
  subject:
    | 'leg'
    | 'service'
    | 'inlet'
    | 'inlets'
    | 'leg or inlet'
    | 'battery'
    | 'device'
    | 'device quantity'
    | 'region or broker';
  priority: Priority;
  /** How long the incident stands before the homeowner is told, milliseconds; null = never told. */
  homeownerDelayMs: number | null;
};

const HOUR_MS = 3_600_000;

/** Every kind of incident there is, with its default priority and whether the homeowner hears of it. */
export const INCIDENT_KINDS = {
  'service-ct-reversed': { subject: 'leg', priority: 'medium', homeownerDelayMs: null },
  'service-ct-swapped': { subject: 'service', priority: 'medium', homeownerDelayMs: null },
  'inlet-ct-reversed': { subject: 'inlet', priority: 'medium', homeownerDelayMs: null },
  'inlet-ct-swapped': { subject: 'inlets', priority: 'medium', homeownerDelayMs: null },
  'ct-no-signal': { subject: 'leg or inlet', priority: 'medium', homeownerDelayMs: null },
  'ct-ratio': { subject: 'leg or inlet', priority: 'low', homeownerDelayMs: null },
  'inlet-over-cap': { subject: 'inlet', priority: 'high', homeownerDelayMs: 0 },
  'inlet-continuous-load': { subject: 'inlet', priority: 'medium', homeownerDelayMs: null },
  'inlet-circuit-resistance': { subject: 'inlet', priority: 'high', homeownerDelayMs: 0 },
  'open-neutral': { subject: 'service', priority: 'critical', homeownerDelayMs: 0 },
  'voltage-out-of-range': { subject: 'leg', priority: 'medium', homeownerDelayMs: null },
  'backfeed-in-outage': { subject: 'inlet', priority: 'critical', homeownerDelayMs: 0 },
  'reserve-low': { subject: 'battery', priority: 'high', homeownerDelayMs: 0 },
  'reserve-forecast': { subject: 'battery', priority: 'medium', homeownerDelayMs: 0 },
  'reserve-setting': { subject: 'battery', priority: 'low', homeownerDelayMs: null },
  'storm-charge-stalled': { subject: 'battery', priority: 'high', homeownerDelayMs: 0 },
  'storm-charge-behind': { subject: 'battery', priority: 'high', homeownerDelayMs: 0 },
  'storm-discharging': { subject: 'battery', priority: 'high', homeownerDelayMs: 0 },
  'tariff-charge-in-peak': { subject: 'battery', priority: 'low', homeownerDelayMs: null },
  'tariff-discharge-in-super-off-peak': { subject: 'battery', priority: 'low', homeownerDelayMs: null },
  'tariff-off-peak-depth': { subject: 'battery', priority: 'low', homeownerDelayMs: null },
  'tariff-clock-shift': { subject: 'battery', priority: 'medium', homeownerDelayMs: null },
  'battery-energy-mismatch': { subject: 'battery', priority: 'low', homeownerDelayMs: null },
  'battery-hot': { subject: 'battery', priority: 'high', homeownerDelayMs: 0 },
  'device-silent': { subject: 'device', priority: 'medium', homeownerDelayMs: 24 * HOUR_MS },
  'device-clock-skew': { subject: 'device', priority: 'low', homeownerDelayMs: null },
  'readings-lost': { subject: 'device', priority: 'low', homeownerDelayMs: null },
  'sensor-flatline': { subject: 'device quantity', priority: 'low', homeownerDelayMs: null },
  'radio-weak': { subject: 'device', priority: 'low', homeownerDelayMs: null },
  'self-test-missing': { subject: 'device', priority: 'low', homeownerDelayMs: null },
  'fleet-silence': { subject: 'region or broker', priority: 'high', homeownerDelayMs: null },
} as const satisfies Record<string, KindEntry>;

export type IncidentKind = keyof typeof INCIDENT_KINDS;
