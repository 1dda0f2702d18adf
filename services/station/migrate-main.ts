// `npm run migrate`: brings the database of DATABASE_URL to the newest schema, and ends. `npm start` does the same
// by itself; this is for processes that are started one by one.

import { environmentFields, readEnvironment, runMain } from '@afterwatt/runtime';
import { z } from 'zod';
import { migrateDatabase } from './database.ts';

await runMain(async () => {
  const schema = z.object({ DATABASE_URL: environmentFields.postgresUrl });
  const { DATABASE_URL: url } = readEnvironment(schema, process.env);
  const applied = await migrateDatabase(url, 'DATABASE_URL');
  const done = applied.length === 0 ? 'The schema is the newest already.' : `Applied ${applied.join(', ')}.`;
  process.stdout.write(`${done}\n`);
  return { stop: async () => {}, done: Promise.resolve() };
});
