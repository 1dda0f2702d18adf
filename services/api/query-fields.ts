// Query parameters that several routes take.

import { z } from 'zod';

/** RFC 3339 with an offset. A plus sign that was not encoded arrives as a space; letters may be lower case. */
export const instant = z
  .string()
  .meta({ format: 'date-time', examples: ['2026-01-31T17:00:00Z'] })
  .overwrite((text) => text.toUpperCase().replace(/ (?=\d\d:\d\d$)/, '+'))
  .pipe(z.iso.datetime({ offset: true, error: 'must be a date and time with offset (RFC 3339)' }))
  .transform((text) => new Date(text))
  .refine((at) => at.getUTCFullYear() >= 1970 && at.getUTCFullYear() < 2200, {
    error: 'must lie between 1970 and 2199',
  });

/** Several values, separated by commas or given by repeating the parameter; left out = none. */
export function manyOf<T extends z.ZodType<unknown, string>>(one: T) {
  return z
    .union([z.string(), z.array(z.string())])
    .default([])
    .transform((given) => [given].flat().flatMap((text) => text.split(',').filter((part) => part !== '')))
    .pipe(z.array(one).max(100, { error: 'must be at most 100 values' }));
}

/** Words to look for, all of which must be found. */
export const words = z
  .string()
  .max(200, { error: 'must be at most 200 characters' })
  .regex(/^[^\p{Cc}\p{Cs}]*$/u, { error: 'must not hold control characters' })
  .default('')
  .transform((text) => text.split(/\s+/).filter((word) => word !== ''))
  .pipe(z.array(z.string()).max(10, { error: 'must be at most 10 words' }));

export const limit = z.coerce
  .number('must be a whole number from 1 to 200')
  .int('must be a whole number from 1 to 200')
  .min(1, { error: 'must be a whole number from 1 to 200' })
  .max(200, { error: 'must be a whole number from 1 to 200' })
  .default(50);
