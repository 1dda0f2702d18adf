// Mosquitto's password and access files, made from the credentials in the database.

import { rename, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import type { BrokerUser } from '@afterwatt/store';
import { topicFilter, topicOf } from '@afterwatt/wire';

/** Ingest's own user. It reads what devices publish, and sends itself markers to see that it has caught up. */
export interface IngestUser {
  readonly username: string;
  readonly hash: string;
}

export interface BrokerFiles {
  /** For `password_file`. */
  readonly passwords: string;
  /** For `acl_file`. */
  readonly access: string;
}

const KINDS = ['readings', 'state'] as const;

/** What each user may do, and nothing else: a device below its own site and name, a gateway below its sites. */
export function brokerFiles(ingest: IngestUser, users: readonly BrokerUser[]): BrokerFiles {
  const passwords = [`${ingest.username}:${ingest.hash}`];
  const access = [
    `user ${ingest.username}`,
    ...KINDS.map((kind) => `topic read ${topicFilter(kind)}`),
    'topic readwrite afterwatt/ingest/+/marker',
  ];
  for (const { username, hash, device, sites } of users) {
    if (hash === null) continue;
    passwords.push(`${username}:${hash}`);
    access.push('', `user ${username}`);
    for (const site of sites) {
      for (const kind of KINDS) {
        const topic = device === null ? topicFilter(kind, site) : topicOf({ site, device, kind });
        access.push(`topic write ${topic}`);
      }
    }
  }
  return { passwords: `${passwords.join('\n')}\n`, access: `${access.join('\n')}\n` };
}

/** Each file is there as a whole or not at all; a new user's rights are there before its password. */
export async function writeBrokerFiles(directory: string, files: BrokerFiles): Promise<void> {
  for (const name of ['access', 'passwords'] as const) {
    const path = join(directory, name);
    await writeFile(`${path}.new`, files[name], { mode: 0o600 });
    await rename(`${path}.new`, path);
  }
}
