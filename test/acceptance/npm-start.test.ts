// `npm start` as README says it: a SIGTERM to npm reaches the station, which stops cleanly and leaves its ports.

import { expect, it } from 'vitest';
import { createStation } from '../support/station.ts';

it('stops with npm, and can be started again at once', async () => {
  const station = await createStation({}, 'npm');
  try {
    for (const time of ['first', 'second']) {
      await station.start(['--no-demo']);
      expect((await fetch(`${station.address}/readyz`)).status, `${time} start`).toBe(200);
      await station.stop();
      await expect(fetch(`${station.address}/healthz`)).rejects.toThrow();
    }
  } finally {
    await station.stop();
    await station.remove();
  }
}, 180_000);
