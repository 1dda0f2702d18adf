// What a site may set of the detectors' thresholds: those there are, within the range each one says.

import { CATALOG } from '@afterwatt/detect';
import { type Site, siteSchema } from '@afterwatt/wire';
import { z } from 'zod';

/** A site whose thresholds the detectors know. */
export const checkedSiteSchema = siteSchema.superRefine(({ thresholds }, context) => {
  checkThresholds(thresholds, ['thresholds'], context);
});

/** Thresholds on their own, as a replay takes them. */
export const thresholdsSchema = z
  .record(z.string(), z.record(z.string(), z.number('must be a number')), {
    error: 'must be an object from incident kind to { parameter: number }',
  })
  .superRefine((thresholds, context) => checkThresholds(thresholds, [], context));

function checkThresholds(
  thresholds: Site['thresholds'],
  path: string[],
  context: z.core.$RefinementCtx,
): void {
  for (const [kind, values] of Object.entries(thresholds)) {
    const detector = CATALOG.find((one) => one.kind === kind);
    if (detector === undefined) {
      const known = CATALOG.map((one) => one.kind).join(', ');
      refuse(context, [...path, kind], `is not known here: kinds with thresholds are ${known}`);
      continue;
    }
    for (const [name, value] of Object.entries(values)) {
      const threshold = detector.thresholds[name];
      if (threshold === undefined) {
        const known = Object.keys(detector.thresholds).join(', ');
        refuse(context, [...path, kind, name], `is not known here: ${kind} has ${known}`);
        continue;
      }
      const { min, max, unit } = threshold;
      if (value >= min && value <= max) continue;
      refuse(context, [...path, kind, name], `must be from ${min} to ${max} ${unit}`.trimEnd());
    }
  }
}

function refuse(context: z.core.$RefinementCtx, path: string[], message: string): void {
  context.addIssue({ code: 'custom', path, message });
}
