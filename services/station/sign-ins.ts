// The tokens that a person at this station signs in with. Made at the first start, kept in the data directory
// (readable by its owner alone), so that the next start prints the same.

import { randomBytes } from 'node:crypto';
import { readFile, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import type { ApiClient } from './api-client.ts';

export interface SignIns {
  operator: string;
  installer?: string;
  homeowner?: string;
  support?: string;
}

/** @param given AFTERWATT_OPERATOR_TOKEN, which stands above a token made earlier */
export async function readSignIns(dataDir: string, given: string | undefined): Promise<SignIns> {
  const stored = await readFile(fileOf(dataDir), 'utf8').catch(() => undefined);
  const known: Partial<SignIns> = stored === undefined ? {} : JSON.parse(stored);
  const signIns = { ...known, operator: given ?? known.operator ?? randomBytes(24).toString('base64url') };
  await save(dataDir, signIns);
  return signIns;
}

/** Makes what is missing of a sign-in for each role. @param home the site that the homeowner's token may see */
export async function completeSignIns(
  dataDir: string,
  signIns: SignIns,
  api: ApiClient,
  home: string | undefined,
): Promise<SignIns> {
  const complete = { ...signIns };
  complete.installer ??= await api.makeToken({
    name: 'station installer',
    role: 'installer',
    company: 'default',
  });
  complete.support ??= await api.makeToken({ name: 'station support', role: 'support' });
  if (home !== undefined) {
    complete.homeowner ??= await api.makeToken({
      name: 'station homeowner',
      role: 'homeowner',
      sites: [home],
    });
  }
  await save(dataDir, complete);
  return complete;
}

function fileOf(dataDir: string): string {
  return join(dataDir, 'sign-ins.json');
}

async function save(dataDir: string, signIns: SignIns): Promise<void> {
  await writeFile(fileOf(dataDir), `${JSON.stringify(signIns, null, 2)}\n`, { mode: 0o600 });
}
