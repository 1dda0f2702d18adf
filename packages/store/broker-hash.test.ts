// The hash is the one that Mosquitto's own tool makes; that the broker takes it is shown in test/acceptance.

import { describe, expect, it } from 'vitest';
import { brokerHash } from './broker-hash.ts';

describe("a secret for a broker's password file", () => {
  it('is hashed as mosquitto_passwd of Mosquitto 2.0.11 hashed "hello" with this salt', () => {
    expect(brokerHash('hello', Buffer.from('gtL+zOP5FWFEB21Z', 'base64'))).toBe(
      '$7$101$gtL+zOP5FWFEB21Z$fmUfIwmSGceCwevmjKvuE6YOgmy8InQWPbmm8ORBcQSQPt0k3DXO+1zXmGLE6GELm5DV/1xa0edUYIRLX78PMg==',
    );
  });

  it('has a salt of its own each time', () => {
    expect(brokerHash('same')).not.toBe(brokerHash('same'));
  });
});
