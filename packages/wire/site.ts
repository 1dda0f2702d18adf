import { z } from 'zod';
import { idSchema } from './id.ts';
import { tariffSchema } from './site-tariff.ts';
import { strictObject } from './strict-object.ts';

/** A text a person reads: no control characters, which no log, header or database column should meet. */
const label = z
  .string('must be a string')
  .regex(/^[^\p{Cc}\p{Cs}]+$/u, { error: 'must not be empty and must not hold control characters' })
  .max(120, { error: 'must be at most 120 characters' });

const timeZone = z.string('must be a string').refine(isTimeZone, {
  error: 'must be an IANA time zone such as America/Denver',
});

const locationSchema = strictObject({
  lat: bounded('degrees north', -90, 90),
  lon: bounded('degrees east', -180, 180),
  /** Area codes as CAP 1.2 alerts carry them, for example { "system": "SAME", "code": "008031" }. */
  geocodes: z
    .array(strictObject({ system: label, code: label }), 'must be a list of { system, code }')
    .max(100, { error: 'must have at most 100 codes' })
    .default([]),
});

const serviceSchema = strictObject({
  nominalVolts: bounded('volts, leg to neutral', 100, 140).default(120),
  mainAmps: bounded('amperes', 15, 1000).default(200),
  /** Something other than the batteries feeds the panel, so a leg may export. */
  otherGeneration: z.boolean('must be true or false').default(false),
});

const meterSchema = strictObject({
  device: idSchema.default('meter-1'),
  periodSeconds: bounded('seconds', 0.1, 3600).default(5),
  accuracyPct: bounded('per cent', 0.01, 20).default(1),
});

const stormSchema = strictObject({
  enabled: z.boolean('must be true or false').default(true),
  targetPct: bounded('per cent', 5, 100).default(100),
});

const inletSchema = strictObject({
  number: z.union([z.literal(1), z.literal(2)], { error: 'must be 1 or 2' }).default(1),
  leg: z.enum(['L1', 'L2'], { error: 'must be L1 or L2' }).default('L1'),
  /** What the inlet may carry; an incident is raised above it. */
  capAmps: bounded('amperes', 1, 100).default(15),
  capWatts: bounded('watts', 100, 25_000).default(1800),
  breakerAmps: bounded('amperes', 1, 100).default(15),
  conductorAwg: z
    .union([z.literal(14), z.literal(12), z.literal(10), z.literal(8), z.literal(6)], {
      error: 'must be 14, 12, 10, 8 or 6 (AWG, copper)',
    })
    .default(12),
  oneWayFeet: bounded('feet', 1, 1000).default(40),
  /** Inlets that name the same breaker share it: their load adds up. null = a breaker of its own. */
  breaker: label.nullable().default(null),
});

const batterySchema = strictObject({
  device: idSchema,
  /** The number of the inlet it is plugged into. */
  inlet: z.union([z.literal(1), z.literal(2)], { error: 'must be 1 or 2' }).default(1),
  capacityWh: bounded('watt-hours', 100, 100_000).default(3000),
  reservePct: bounded('per cent', 5, 100).default(20),
  chargeLimitWatts: bounded('watts', 50, 25_000).default(1500),
  periodSeconds: bounded('seconds', 0.1, 3600).default(10),
});

const inletsSchema = z
  .array(inletSchema, 'must be a list of inlets')
  .min(1, { error: 'must have 1 or 2 inlets' })
  .max(2, { error: 'must have 1 or 2 inlets' });

const batteriesSchema = z
  .array(batterySchema, 'must be a list of batteries')
  .max(4, { error: 'must have at most 4 batteries' });

const thresholdsSchema = z.record(
  z.string(),
  z.record(z.string(), z.number('must be a number'), { error: 'must be an object from parameter to number' }),
  { error: 'must be an object from incident kind to { parameter: number }' },
);

/**
 * A site, as POST /v1/sites takes it and as everything else knows it: parsing fills in every default, so the
 * output has no field left open.
 */
export const siteSchema = strictObject({
  id: idSchema,
  name: label,
  company: idSchema.default('default'),
  timeZone,
  /** Groups sites that share a cause, such as one utility's area. */
  region: label.nullable().default(null),
  location: locationSchema.nullable().default(null),
  service: serviceSchema.prefault({}),
  meter: meterSchema.prefault({}),
  inlets: inletsSchema.prefault([{}]),
  batteries: batteriesSchema.default([]),
  tariff: tariffSchema.nullable().default(null),
  storm: stormSchema.prefault({}),
  /** Overrides of detector parameters: incident kind -> parameter -> value. The detectors check them. */
  thresholds: thresholdsSchema.default({}),
}).superRefine((site, context) => {
  const inletNumbers = new Set<number>();
  for (const [index, inlet] of site.inlets.entries()) {
    if (inletNumbers.has(inlet.number)) {
      const message = `must differ from the other inlet's: inlet ${inlet.number} is given twice`;
      context.addIssue({ code: 'custom', path: ['inlets', index, 'number'], message });
    }
    inletNumbers.add(inlet.number);
  }
  const devices = new Set<string>();
  for (const [index, battery] of site.batteries.entries()) {
    if (!inletNumbers.has(battery.inlet)) {
      const message = `must be the number of one of the site's inlets: there is no inlet ${battery.inlet}`;
      context.addIssue({ code: 'custom', path: ['batteries', index, 'inlet'], message });
    }
    if (devices.has(battery.device)) {
      const message = `must differ from the other batteries': ${battery.device} is given twice`;
      context.addIssue({ code: 'custom', path: ['batteries', index, 'device'], message });
    }
    devices.add(battery.device);
  }
});

export type Site = z.output<typeof siteSchema>;
export type SiteInput = z.input<typeof siteSchema>;
export type SiteInlet = Site['inlets'][number];
export type SiteBattery = Site['batteries'][number];

function bounded(unit: string, min: number, max: number) {
  return z
    .number(`must be a number of ${unit}`)
    .min(min, { error: `must be at least ${min} ${unit}` })
    .max(max, { error: `must be at most ${max} ${unit}` });
}

/** Those that were asked for: Intl takes a fifth of a millisecond to say it, and thousands of sites share a few. */
const timeZones = new Set<string>();

/** Intl also takes offsets such as +01:00, which know no daylight saving time. */
function isTimeZone(text: string): boolean {
  if (timeZones.has(text)) return true;
  if (!/^[A-Za-z]/.test(text)) return false;
  try {
    new Intl.DateTimeFormat('en-US', { timeZone: text });
    timeZones.add(text);
    return true;
  } catch {
    return false;
  }
}
