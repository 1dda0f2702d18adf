import { z } from 'zod';

/** An object that takes no other fields, so that a misspelt one is told instead of passed over. */
export function strictObject<Fields extends z.core.$ZodLooseShape>(fields: Fields) {
  return z.strictObject(fields, {
    error: (issue) =>
      issue.code === 'unrecognized_keys'
        ? `must not have ${issue.keys?.map((key) => `"${String(key)}"`).join(', ')}: its fields are ${Object.keys(fields).join(', ')}`
        : 'must be an object',
  });
}
