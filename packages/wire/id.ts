import { z } from 'zod';

/** The pattern of a site, device or company id: one level of an MQTT topic, safe in a URL and in a log line. */
export const ID_PATTERN = /^[a-z0-9][a-z0-9-]{0,62}$/;

/** A site, device or company id. */
export const idSchema = z.string('must be a string').regex(ID_PATTERN, {
  error: 'must be 1 to 63 lower-case letters, digits and hyphens, and start with a letter or a digit',
});
