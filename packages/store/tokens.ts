// Bearer tokens of the API's callers. Only their SHA-256 is stored: a token is 32 random bytes, so nothing
// slower than a plain hash is needed, and a look-up by hash tells an onlooker's clock nothing about a token.

import { sql } from 'kysely';
import type { Caller } from './as-caller.ts';
import type { Database } from './connect.ts';

/** The token that the environment names goes under this name, in histories too, and no other may have it. */
export const ENVIRONMENT_TOKEN_NAME = 'operator';

export interface NamedCaller extends Caller {
  readonly id: number;
  readonly name: string;
}

export interface StoredToken extends NamedCaller {
  readonly createdAt: Date;
}

const STORED = ['id', 'name', 'role', 'company', 'sites'] as const;

/** Who calls with this token, unless it is unknown or revoked. */
export function findCaller(db: Database, tokenSha256: Buffer): Promise<NamedCaller | undefined> {
  return db
    .selectFrom('api_token')
    .select(STORED)
    .where('token_sha256', '=', tokenSha256)
    .where('revoked_at', 'is', null)
    .executeTakeFirst();
}

/** The same caller later on: undefined once the token is revoked. */
export function findCallerAgain(db: Database, id: number): Promise<NamedCaller | undefined> {
  return db
    .selectFrom('api_token')
    .select(STORED)
    .where('id', '=', id)
    .where('revoked_at', 'is', null)
    .executeTakeFirst();
}

export function insertToken(
  db: Database,
  token: Caller & { readonly name: string; readonly tokenSha256: Buffer },
): Promise<StoredToken> {
  return db
    .insertInto('api_token')
    .values({
      name: token.name,
      token_sha256: token.tokenSha256,
      role: token.role,
      company: token.company,
      sites: [...token.sites],
    })
    .returning([...STORED, 'created_at as createdAt'])
    .executeTakeFirstOrThrow();
}

/** Tokens in force, oldest first. */
export function listTokens(
  db: Database,
  page: { readonly afterId: number | undefined; readonly limit: number },
): Promise<StoredToken[]> {
  return db
    .selectFrom('api_token')
    .select([...STORED, 'created_at as createdAt'])
    .where('revoked_at', 'is', null)
    .where('id', '>', page.afterId ?? 0)
    .orderBy('id')
    .limit(page.limit)
    .execute();
}

/** @returns false when there is no such token in force */
export async function markTokenRevoked(db: Database, id: number): Promise<boolean> {
  const revoked = await db
    .updateTable('api_token')
    .set({ revoked_at: sql`now()` })
    .where('id', '=', id)
    .where('revoked_at', 'is', null)
    .executeTakeFirst();
  return revoked.numUpdatedRows === 1n;
}

/** Makes the environment's token an operator's, and ends the one that the environment named before. */
export async function upsertEnvironmentToken(db: Database, tokenSha256: Buffer): Promise<void> {
  await db.transaction().execute(async (tx) => {
    await tx
      .insertInto('api_token')
      .values({ name: ENVIRONMENT_TOKEN_NAME, token_sha256: tokenSha256, role: 'operator' })
      .onConflict((conflict) =>
        conflict.column('token_sha256').doUpdateSet({
          name: ENVIRONMENT_TOKEN_NAME,
          role: 'operator',
          company: null,
          sites: sql<string[]>`'{}'`,
          revoked_at: null,
        }),
      )
      .execute();
    await tx
      .updateTable('api_token')
      .set({ revoked_at: sql`now()` })
      .where('name', '=', ENVIRONMENT_TOKEN_NAME)
      .where('token_sha256', '<>', tokenSha256)
      .where('revoked_at', 'is', null)
      .execute();
  });
}
