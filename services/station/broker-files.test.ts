// What the broker's two files say of each user.

import { describe, expect, it } from 'vitest';
import { brokerFiles } from './broker-files.ts';

const INGEST = { username: 'ingest', hash: '$7$101$aa$bb' };

describe("the broker's files", () => {
  it('let ingest read what devices publish, and nothing but its markers be written by it', () => {
    expect(brokerFiles(INGEST, [])).toEqual({
      passwords: 'ingest:$7$101$aa$bb\n',
      access: `user ingest
topic read afterwatt/v1/+/+/readings
topic read afterwatt/v1/+/+/state
topic readwrite afterwatt/ingest/+/marker
`,
    });
  });

  it('let a device write below its site and name, and a gateway below each of its sites', () => {
    const users = [
      { username: 'elm-1.meter-1.01', hash: 'h1', device: 'meter-1', sites: ['elm-1'] },
      { username: 'gateway.default.02', hash: 'h2', device: null, sites: ['elm-1', 'elm-2'] },
    ];
    const { passwords, access } = brokerFiles(INGEST, users);
    expect(passwords.split('\n').slice(1)).toEqual(['elm-1.meter-1.01:h1', 'gateway.default.02:h2', '']);
    expect(access.split('\n\n').slice(1)).toEqual([
      `user elm-1.meter-1.01
topic write afterwatt/v1/elm-1/meter-1/readings
topic write afterwatt/v1/elm-1/meter-1/state`,
      `user gateway.default.02
topic write afterwatt/v1/elm-1/+/readings
topic write afterwatt/v1/elm-1/+/state
topic write afterwatt/v1/elm-2/+/readings
topic write afterwatt/v1/elm-2/+/state
`,
    ]);
  });

  it('leave out a credential whose hash nobody knows', () => {
    const old = { username: 'old', hash: null, device: null, sites: ['elm-1'] };
    expect(brokerFiles(INGEST, [old])).toEqual(brokerFiles(INGEST, []));
  });
});
