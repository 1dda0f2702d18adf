// Who is behind a user name. One query at a time asks for all that wait: however many devices come back at once, none
// of the connections that write batches is kept from its work.

import { type Database, listPublishRights, type PublishRight } from '@afterwatt/store';

export type CredentialLookup = (username: string) => Promise<PublishRight | undefined>;

/** Longer than any that the API makes. */
const LONGEST_USERNAME = 200;

export function createCredentialLookup(db: Database): CredentialLookup {
  let asked = new Set<string>();
  let coming: Promise<ReadonlyMap<string, PublishRight>> | undefined;
  let running: Promise<unknown> = Promise.resolve();

  function ask(): Promise<ReadonlyMap<string, PublishRight>> {
    const usernames = [...asked];
    asked = new Set();
    coming = undefined;
    return listPublishRights(db, usernames);
  }

  return async (username) => {
    // PostgreSQL has no text with a zero character; one such name would spoil the question for all.
    if (username.length > LONGEST_USERNAME || username.includes('\0')) return undefined;
    asked.add(username);
    if (coming === undefined) {
      coming = running.then(ask, ask);
      running = coming;
    }
    return (await coming).get(username);
  };
}
