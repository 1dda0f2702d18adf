// A secret as Mosquitto's password file wants it.

import { pbkdf2Sync, randomBytes } from 'node:crypto';

/**
 * mosquitto_passwd's default. More would only slow the broker down, which hashes at every connection in its one
 * thread: our secrets are 256 random bits, which nobody guesses however fast.
 */
const ITERATIONS = 101;
const SALT_BYTES = 12;
const HASH_BYTES = 64;

/**
 * `$7$iterations$salt$hash`: PBKDF2 (RFC 8018) with HMAC-SHA-512, salt and hash in base64, as mosquitto_passwd of
 * Mosquitto 2 writes it and every Mosquitto 2 reads it.
 * @param salt random, unless a test needs to know it
 */
export function brokerHash(secret: string, salt: Buffer = randomBytes(SALT_BYTES)): string {
  const hash = pbkdf2Sync(secret, salt, ITERATIONS, HASH_BYTES, 'sha512');
  return `$7$${ITERATIONS}$${salt.toString('base64')}$${hash.toString('base64')}`;
}
